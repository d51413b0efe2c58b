"use strict";
// Two years of a block: what the map shows, kept in the address.
(() => {
  const root = document.documentElement;
  const lenses = [...document.querySelectorAll("[data-lens]")];

  function show(key, remember) {
    for (const lens of lenses) {
      lens.setAttribute("aria-checked", String(lens.dataset.lens === key));
      lens.tabIndex = lens.dataset.lens === key ? 0 : -1;
    }
    for (const view of document.querySelectorAll("[data-view]")) view.hidden = view.dataset.view !== key;
    measure();
    const asked = new URLSearchParams(location.search);
    asked.set("lens", key);
    if (remember) history.replaceState(null, "", "?" + asked);
    for (const link of document.querySelectorAll(".changestrip a")) {
      const url = new URL(link.href);
      url.searchParams.set("lens", key);
      link.href = url;
    }
  }

  // All views of a block are drawn on one paper; how large it is shown hangs on the window.
  function measure() {
    const box = document.querySelector(".furniture .scale"), picture = document.querySelector(".seamview:not([hidden]) :is(.seambox, .picture) > svg");
    if (picture) stitchScale(data.metresAUnit / picture.getScreenCTM().a, box);
    else box.replaceChildren();
  }

  for (const lens of lenses) lens.addEventListener("click", () => show(lens.dataset.lens, true));
  watchStrip(document.querySelector(".changestrip"));
  document.querySelector(".changestrip [aria-current]")?.scrollIntoView({ block: "nearest", inline: "nearest" });
  new ResizeObserver(measure).observe(document.querySelector(".seamroom"));
  measure();
  root.dataset.ready = "true";
})();
