// Without this script the page has "Look again"; with it a new mail shows by itself.
const shown = Number(document.querySelector("[data-count]").dataset.count);
setInterval(async () => {
  try {
    const answer = await fetch("/api/mail", { signal: AbortSignal.timeout(1500) });
    if (answer.ok && (await answer.json()).length !== shown) location.reload();
  } catch {
    // The catcher is stopped; the next beat asks again.
  }
}, 2000);
