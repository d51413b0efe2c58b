"use strict";
// Two years of a block: lenses, and the seam between the years.
(() => {
  const root = document.documentElement;
  const [first] = JSON.parse(document.getElementById("page-data").textContent).years;
  const lenses = [...document.querySelectorAll("[data-lens]")];
  const box = document.querySelector(".seambox"), seam = document.querySelector(".seam");
  const before = document.querySelector(".before");
  const STEP = 2, LEAST = 0, MOST = 100; // [%]
  let at = 50;

  function show(key, remember) {
    for (const lens of lenses) {
      lens.setAttribute("aria-checked", String(lens.dataset.lens === key));
      lens.tabIndex = lens.dataset.lens === key ? 0 : -1;
    }
    for (const view of document.querySelectorAll("[data-view]")) view.hidden = view.dataset.view !== key;
    const asked = new URLSearchParams(location.search);
    asked.set("lens", key);
    if (remember) history.replaceState(null, "", "?" + asked);
    for (const link of document.querySelectorAll(".changestrip a")) {
      const url = new URL(link.href);
      url.searchParams.set("lens", key);
      link.href = url;
    }
  }

  function place(percent) {
    at = Math.min(MOST, Math.max(LEAST, percent));
    box.style.setProperty("--seam", at);
    before.setAttribute("width", String(at / 100 * before.ownerSVGElement.viewBox.baseVal.width));
    seam.setAttribute("aria-valuenow", String(Math.round(at)));
    seam.setAttribute("aria-valuetext", `${first} on ${Math.round(at)} % of the map`);
  }

  function follow(event) {
    const edges = box.getBoundingClientRect();
    place((event.clientX - edges.left) / edges.width * 100);
  }

  for (const lens of lenses) lens.addEventListener("click", () => show(lens.dataset.lens, true));
  if (seam) {
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
    seam.addEventListener("pointermove", (event) => { if (seam.hasPointerCapture(event.pointerId)) follow(event); });
    place(at);
  }
  document.querySelector(".changestrip [aria-current]")?.scrollIntoView({ block: "nearest", inline: "nearest" });
  root.dataset.ready = "true";
})();
