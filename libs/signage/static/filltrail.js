/* The one script of the pages. Every page works without it; with it a record survives a dead link, a double tap and a
   hung box. It never decides whether a cylinder may be filled, and it never queues a permission. */
"use strict";
(() => {
  const SETTLE_MS = 600, BOUNCE_MS = 90, RESEND_MS = 2000, SEND_LIMIT_MS = 8000, SILENCE_MS = 5000, PRESS_MS = 2000;
  const PSI_PER_BAR = 14.503774; // 1 bar = 100 000 Pa, 1 psi = 6 894.757 Pa
  const $ = (selector, within = document) => within.querySelector(selector);
  const all = (selector, within = document) => [...within.querySelectorAll(selector)];

  // ---- time: ages count from the server's clock at rendering, so a tablet with a wrong clock shows right ages.
  let serverMs = 0, heardAt = 0;
  const now = () => serverMs + (performance.now() - heardAt);
  const setNow = ms => { if (Number.isFinite(ms) && ms > 0) { serverMs = ms; heardAt = performance.now(); } };
  const ago = ms => {
    const s = Math.max(0, Math.floor(ms / 1000));
    if (s < 60) return `${s} s ago`;
    if (s < 3600) return `${Math.floor(s / 60)} min ago`;
    if (s < 172800) return `${Math.floor(s / 3600)} h ago`;
    return `${Math.floor(s / 86400)} days ago`;
  };
  const put = (element, words) => { if (element && element.textContent !== words) element.textContent = words; };

  let shownAt = 0;
  function tick() {
    for (const element of all("[data-since]")) {
      const age = now() - Number(element.dataset.since);
      put(element, ago(age));
      const chip = element.closest("[data-limit-s]");
      if (chip) chip.classList.toggle("is-hold", age >= Number(chip.dataset.limitS) * 1000);
    }
    for (const element of all("[data-clock]")) {
      const [hour, minute] = element.dataset.clock.split(":").map(Number);
      const total = hour * 60 + minute + Math.floor((Number(element.dataset.clockLead || 0) + performance.now() - shownAt) / 60000);
      put(element, `${String(Math.floor(total / 60) % 24).padStart(2, "0")}:${String(total % 60).padStart(2, "0")}`);
    }
    showLink();
  }

  // ---- a page has appeared: dead time in the foot, focus on the question, gates closed until answered.
  function appear() {
    shownAt = performance.now();
    setNow(Number(document.documentElement.dataset.now));
    for (const element of all("[data-clock]")) element.dataset.clockLead = serverMs % 60000;
    const still = all("[data-foot], [data-settle], .choices");
    for (const element of still) element.inert = true;
    setTimeout(() => { for (const element of still) element.inert = false; }, SETTLE_MS);
    $("[data-question]")?.focus({ preventScroll: true });
    for (const pad of all("[data-pad]")) openPad(pad);
    for (const form of document.forms) gate(form);
    connect();
    tick();
  }

  // ---- one primary, asleep until every required answer is there.
  function gate(form) {
    for (const button of all("[data-primary]")) {
      if (button.form === form) button.disabled = sending.has(form) || !form.checkValidity();
    }
  }

  // ---- keypad
  const remembered = {
    get() { try { return localStorage.getItem("filltrail.unit"); } catch { return null; } },
    set(unit) { try { localStorage.setItem("filltrail.unit", unit); } catch { /* a locked-down tablet forgets; nothing is lost */ } },
  };
  let lastKey = "", lastKeyAt = -Infinity;

  function openPad(pad) {
    const value = $("[data-pad-value]", pad);
    // The keys on the page replace the tablet's own keyboard; a real keyboard still types.
    if (value && matchMedia("(pointer: coarse)").matches) value.inputMode = "none";
    const known = remembered.get(), units = $(".units", pad);
    if (units && known && !("unitSaid" in units.dataset)) {
      const radio = all("[data-unit]", pad).find(one => one.value === known);
      if (radio) radio.checked = true;
    }
    readPad(pad);
  }

  function clean(input) {
    const most = Number(input.dataset.digits || 4);
    if (!("decimal" in input.dataset)) return input.value.replace(/\D/g, "").slice(0, most);
    const [whole, ...rest] = input.value.replace(",", ".").replace(/[^\d.]/g, "").split(".");
    return whole.slice(0, most) + (rest.length ? "." + rest.join("").slice(0, 1) : "");
  }

  function readPad(pad) {
    const input = $("[data-pad-value]", pad), twin = $("[data-pad-twin]", pad);
    if (!input) return;
    const digits = clean(input);
    if (digits !== input.value) input.value = digits;
    const unit = $("[data-unit]:checked", pad)?.value;
    if (unit) put($("[data-pad-unit]", pad), unit);
    const number = Number(digits), other = unit === "psi" ? "bar" : "psi";
    if (twin) put(twin, digits && unit ? `${Math.round(unit === "psi" ? number / PSI_PER_BAR : number * PSI_PER_BAR)} ${other}` : "");
    const asking = $("[data-pad-ask]", pad);
    if (!asking) return;
    const low = unit === "psi" && number >= 100 && number <= 330, high = unit === "bar" && number > 330;
    asking.hidden = !(low || high);
    if (low || high) put($("[data-pad-ask-words]", pad), `${number} ${unit} is ${low ? "low" : "high"} for a rated pressure. Is the stamp in ${other}?`);
  }

  function press(button) {
    const key = button.dataset.key, at = performance.now();
    if (key === lastKey && at - lastKeyAt < BOUNCE_MS) return;
    lastKey = key; lastKeyAt = at;
    navigator.vibrate?.(12);
    const input = $("[data-pad-value]", button.closest("[data-pad]"));
    if (key === "clear") input.value = "";
    else if (key === "delete") input.value = input.value.slice(0, -1);
    else input.value += key;
    input.dispatchEvent(new Event("input", { bubbles: true }));
  }

  // ---- records: sent with a once-key, sent again until the box says it has them.
  const sending = new Set();

  async function send(form, submitter) {
    if (sending.has(form)) return;
    sending.add(form);
    const data = new FormData(form);
    if (submitter?.name) data.append(submitter.name, submitter.value);
    const body = form.getAttribute("enctype") === "multipart/form-data" ? data : new URLSearchParams(data);
    // Read as attributes: a field named "action" or "method" would hide the form's own.
    const address = submitter?.getAttribute("formaction") || form.getAttribute("action") || location.href;
    gate(form);
    form.setAttribute("aria-busy", "true");
    try {
      for (;;) {
        const answer = await once(address, body);
        if (answer) { await follow(answer); return; }
        unsaved(true);
        await new Promise(done => setTimeout(done, RESEND_MS));
      }
    } finally { sending.delete(form); form.removeAttribute("aria-busy"); gate(form); }
  }

  // No answer, or one from a box that is not up, is no answer: null means send again.
  async function once(address, body) {
    const limit = new AbortController(), timer = setTimeout(() => limit.abort(), SEND_LIMIT_MS);
    try {
      const answer = await fetch(address, { method: "POST", body, signal: limit.signal, credentials: "same-origin", headers: { accept: "text/html" } });
      return [429, 502, 503, 504].includes(answer.status) ? null : answer;
    } catch { return null; } finally { clearTimeout(timer); }
  }

  async function follow(answer) {
    unsaved(false);
    if (answer.redirected) { leave(answer.url); await new Promise(() => {}); }
    if (!answer.headers.get("content-type")?.startsWith("text/html")) { refused(answer.status); return; }
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    // Read without script, what stands there for pages without script is part of the page: a box to tick that nobody sees.
    for (const plain of page.querySelectorAll("noscript")) plain.remove();
    document.title = page.title;
    for (const name of ["data-now", "data-night"]) {
      const value = page.documentElement.getAttribute(name);
      if (value === null) document.documentElement.removeAttribute(name); else document.documentElement.setAttribute(name, value);
    }
    document.body.replaceWith(document.adoptNode(page.body));
    scrollTo(0, 0);
    appear();
  }

  function leave(url) {
    const here = location.href.split("#")[0];
    if (url.split("#")[0] === here) location.reload(); else location.assign(url);
  }

  function refused(status) {
    for (const banner of all("[data-unsaved]")) {
      banner.hidden = false;
      put($("span", banner), `Not saved: the box refused it (${status}). Do not go on.`);
    }
  }

  function unsaved(is) { for (const banner of all("[data-unsaved]")) banner.hidden = !is; }
  addEventListener("beforeunload", event => { if (all("[data-unsaved]").some(banner => !banner.hidden)) event.preventDefault(); });

  // ---- press and hold: the pointer or a held Enter or Space, two seconds, nothing less.
  let pressed = null;
  function startPress(button) {
    if (pressed || button.disabled) return;
    button.classList.add("is-pressed");
    pressed = { button, timer: setTimeout(() => { endPress(); finishPress(button); }, PRESS_MS) };
  }
  function endPress() {
    if (!pressed) return;
    clearTimeout(pressed.timer);
    pressed.button.classList.remove("is-pressed");
    pressed = null;
  }
  function finishPress(button) {
    const form = button.form;
    if (!form || !form.reportValidity()) return;
    if (!$("input[name=held]", form)) {
      const held = Object.assign(document.createElement("input"), { type: "hidden", name: "held", value: "yes" });
      form.append(held);
    }
    form.requestSubmit();
  }

  // ---- the live feed
  let stream = null, streamUrl = "", beatAt = null, openedAt = 0;
  function connect() {
    const url = document.body.dataset.stream || "";
    if (url === streamUrl && stream && stream.readyState !== 2) return;
    stream?.close();
    stream = null; streamUrl = url;
    if (!url) return;
    openedAt = performance.now();
    stream = new EventSource(url);
    const heard = event => {
      beatAt = performance.now();
      try { setNow(JSON.parse(event.data).now_ms); } catch { /* a bare beat carries no clock */ }
      showLink();
    };
    stream.addEventListener("beat", heard);
    stream.addEventListener("picture", event => { paint(JSON.parse(event.data).elements); tick(); });
    stream.addEventListener("go", event => leave(new URL(JSON.parse(event.data).url, location.href).href));
  }

  const painted = new WeakMap();
  function paint(elements) {
    for (const [id, html] of Object.entries(elements)) {
      const element = document.getElementById(id);
      if (!element || painted.get(element) === html) continue;
      const focused = element.contains(document.activeElement) ? document.activeElement.id : "";
      element.innerHTML = html;
      painted.set(element, html);
      if (focused) document.getElementById(focused)?.focus({ preventScroll: true });
    }
  }

  function showLink() {
    const body = document.body;
    if (!body.dataset.stream) return;
    const silence = performance.now() - (beatAt ?? openedAt);
    const state = silence > SILENCE_MS ? "cut" : beatAt === null ? "checking" : "live";
    body.dataset.link = state;
    for (const words of all("[data-link-words]")) {
      put(words, state === "cut" ? `not live, ${Math.floor(silence / 1000)} s old` : state);
      words.closest("[data-link-chip]")?.classList.toggle("is-hold", state === "cut");
    }
    for (const banner of all("[data-cut]")) banner.hidden = state !== "cut";
    for (const age of all("[data-cut-age]")) put(age, `Last news ${ago(silence)}.`);
    // The browser gives up for good on an error page, and never notices a hang: open afresh.
    if (state === "cut" && performance.now() - openedAt > SILENCE_MS * 2) { streamUrl = ""; connect(); }
  }

  // ---- listeners, all on the document so that a replaced page needs no wiring
  document.addEventListener("click", event => {
    const key = event.target.closest("[data-key]");
    if (key) press(key);
    if (event.target.closest("[data-press]")) event.preventDefault();
  });
  document.addEventListener("input", event => {
    const pad = event.target.closest("[data-pad]");
    if (pad) readPad(pad);
    if (event.target.form) gate(event.target.form);
  });
  document.addEventListener("change", event => {
    if (event.target.matches("[data-unit]")) { remembered.set(event.target.value); readPad(event.target.closest("[data-pad]")); }
    if (event.target.form) gate(event.target.form);
  });
  document.addEventListener("submit", event => {
    const form = event.target;
    if (form.getAttribute("method")?.toLowerCase() !== "post" || !$("input[name=key]", form)) return;
    event.preventDefault();
    send(form, event.submitter);
  });
  document.addEventListener("pointerdown", event => {
    const button = event.target.closest("[data-press]");
    if (button && event.button === 0) startPress(button);
  });
  for (const name of ["pointerup", "pointercancel", "blur", "contextmenu"]) addEventListener(name, endPress);
  document.addEventListener("pointerout", event => { if (pressed && !pressed.button.contains(event.relatedTarget)) endPress(); });
  document.addEventListener("keydown", event => {
    const button = event.target.closest?.("[data-press]");
    if (button && (event.key === "Enter" || event.key === " ")) { event.preventDefault(); if (!event.repeat) startPress(button); }
  });
  document.addEventListener("keyup", event => { if (event.key === "Enter" || event.key === " ") endPress(); });
  addEventListener("pageshow", event => { if (event.persisted) location.reload(); });

  appear();
  setInterval(tick, 1000);
})();
