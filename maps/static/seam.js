"use strict";
// A seam between two maps of one block: arrows move it by 2 %, Home and End to the edges.
for (const box of document.querySelectorAll(".seambox")) {
  const seam = box.querySelector(".seam"), before = box.querySelector(".before");
  const STEP = 2, LEAST = 0, MOST = 100; // [%]
  let at = 50;

  const place = (percent) => {
    at = Math.min(MOST, Math.max(LEAST, percent));
    box.style.setProperty("--seam", at);
    before.setAttribute("width", String(at / 100 * before.ownerSVGElement.viewBox.baseVal.width));
    seam.setAttribute("aria-valuenow", String(Math.round(at)));
    seam.setAttribute("aria-valuetext", `${box.dataset.first} on ${Math.round(at)} % of the map`);
  };
  const moves = {
    ArrowLeft: () => at - STEP, ArrowDown: () => at - STEP, ArrowRight: () => at + STEP,
    ArrowUp: () => at + STEP, Home: () => LEAST, End: () => MOST,
  };
  seam.addEventListener("keydown", (event) => {
    const move = moves[event.key];
    if (!move) return;
    place(move());
    event.preventDefault();
  });
  seam.addEventListener("pointerdown", (event) => { seam.setPointerCapture(event.pointerId); seam.focus(); event.preventDefault(); });
  seam.addEventListener("pointermove", (event) => {
    if (!seam.hasPointerCapture(event.pointerId)) return;
    const edges = box.getBoundingClientRect();
    place((event.clientX - edges.left) / edges.width * 100);
  });
}
