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
    const asked = new URLSearchParams(location.search);
    asked.set("lens", key);
    if (remember) history.replaceState(null, "", "?" + asked);
    for (const link of document.querySelectorAll(".changestrip a")) {
      const url = new URL(link.href);
      url.searchParams.set("lens", key);
      link.href = url;
    }
  }

  for (const lens of lenses) lens.addEventListener("click", () => show(lens.dataset.lens, true));
  watchStrip(document.querySelector(".changestrip"));
  document.querySelector(".changestrip [aria-current]")?.scrollIntoView({ block: "nearest", inline: "nearest" });
  root.dataset.ready = "true";
})();
