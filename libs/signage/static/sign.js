/* A field to sign in with a finger, a pen or a mouse. Without this script initials are typed instead. The stroke is points on a
   field 1000 units wide: "x,y x,y;x,y", a semicolon where the pen was lifted. It never sends anything itself. */
"use strict";
(() => {
  const WIDE = 1000, FEWEST = 8, SMALLEST = 120, MOST = 4000;
  const strokes = new WeakMap();

  function open(part) {
    if (strokes.has(part)) return;
    strokes.set(part, []);
    part.hidden = false;
    new ResizeObserver(() => draw(part)).observe(field(part));
  }

  const field = part => part.querySelector("[data-sign-field]");
  const unit = canvas => canvas.clientWidth / WIDE;

  function at(event, canvas) {
    const box = canvas.getBoundingClientRect(), within = value => Math.max(0, Math.min(9999, Math.round(value)));
    return [within((event.clientX - box.left) / unit(canvas)), within((event.clientY - box.top) / unit(canvas))];
  }

  function draw(part) {
    const canvas = field(part), sharp = devicePixelRatio || 1, pen = canvas.getContext("2d");
    canvas.width = canvas.clientWidth * sharp; canvas.height = canvas.clientHeight * sharp;
    pen.scale(sharp * unit(canvas), sharp * unit(canvas));
    pen.strokeStyle = getComputedStyle(canvas).color;
    pen.lineWidth = 8; pen.lineCap = pen.lineJoin = "round";
    for (const stroke of strokes.get(part)) {
      pen.beginPath();
      stroke.forEach(([x, y], n) => { if (n) pen.lineTo(x, y); else pen.moveTo(x, y); });
      if (stroke.length === 1) pen.lineTo(stroke[0][0] + 0.1, stroke[0][1]);
      pen.stroke();
    }
  }

  // Once something stands there, initials are no longer asked for.
  function said(part) {
    const points = strokes.get(part).flat(), across = points.map(p => p[0]), down = points.map(p => p[1]);
    const extent = points.length ? Math.max(Math.max(...across) - Math.min(...across), Math.max(...down) - Math.min(...down)) : 0;
    const is = points.length >= FEWEST && extent >= SMALLEST, form = part.closest("form");
    const hidden = part.querySelector("[data-sign-stroke]"), initials = form.elements.namedItem("initials");
    hidden.value = is ? strokes.get(part).map(stroke => stroke.map(p => p.join(",")).join(" ")).join(";") : "";
    initials.required = !is;
    initials.dispatchEvent(new Event("input", { bubbles: true }));
  }

  let writing = null;
  document.addEventListener("pointerdown", event => {
    const part = event.target.closest?.("[data-sign]");
    if (!part || event.target !== field(part) || event.button !== 0) return;
    event.preventDefault();
    event.target.setPointerCapture(event.pointerId);
    writing = part;
    strokes.get(part).push([at(event, event.target)]);
    draw(part);
  });
  document.addEventListener("pointermove", event => {
    if (!writing || strokes.get(writing).flat().length >= MOST) return;
    strokes.get(writing).at(-1).push(at(event, field(writing)));
    draw(writing);
  });
  for (const name of ["pointerup", "pointercancel"]) document.addEventListener(name, () => { if (writing) said(writing); writing = null; });
  document.addEventListener("click", event => {
    const part = event.target.closest?.("[data-sign-clear]")?.closest("[data-sign]");
    if (!part) return;
    strokes.set(part, []); draw(part); said(part);
  });

  const look = () => document.querySelectorAll("[data-sign]").forEach(open);
  look();
  // A refused form brings a new body.
  new MutationObserver(look).observe(document.documentElement, { childList: true });
})();
