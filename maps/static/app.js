"use strict";
// What every page does: light, files dropped anywhere, the run as it goes.
(() => {
  const root = document.documentElement, base = document.body.dataset.base || "";
  const lights = [...document.querySelectorAll("[data-light-is]")];

  function showLight() {
    const dark = matchMedia("(prefers-color-scheme: dark)").matches;
    const now = ["day", "night", "sun"].includes(root.dataset.light) ? root.dataset.light : dark ? "night" : "day";
    for (const one of lights) one.setAttribute("aria-checked", String(one.dataset.lightIs === now));
  }
  for (const one of lights) {
    one.addEventListener("click", () => {
      root.dataset.light = one.dataset.lightIs;
      try { localStorage.setItem("light", one.dataset.lightIs); } catch { /* not remembered */ }
      showLight();
      dispatchEvent(new Event("lightchange"));
    });
  }
  showLight();

  // Arrow keys move inside a radio group.
  document.addEventListener("keydown", (event) => {
    const group = event.target.closest?.("[role=radiogroup]");
    const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
    if (!group || !step || event.target.getAttribute("role") !== "radio") return;
    const all = [...group.querySelectorAll("[role=radio]")];
    const next = all[(all.indexOf(event.target) + step + all.length) % all.length];
    const at = all.indexOf(next);
    next.click();
    ([...group.querySelectorAll("[role=radio]")][at] || next).focus();
    event.preventDefault();
  });

  // Paper cannot be unfolded: what is folded is open while it is printed.
  let folded = [];
  addEventListener("beforeprint", () => { folded = [...document.querySelectorAll("main details:not([open]), .column details:not([open])")]; for (const one of folded) one.open = true; });
  addEventListener("afterprint", () => { for (const one of folded) one.open = false; });

  // The thread sews itself once to each step that was done since its page was last seen.
  function sew() {
    const steps = [...document.querySelectorAll(".steps li")];
    const block = document.querySelector(".blocks [aria-current]")?.getAttribute("href")?.split("/").slice(0, -1).join("/");
    if (!block) return;
    const done = steps.flatMap((step, i) => ("done" in step.dataset ? [i] : []));
    let seen = null;
    try {
      seen = JSON.parse(sessionStorage.getItem("sewn " + block));
      sessionStorage.setItem("sewn " + block, JSON.stringify([...new Set([...(seen || []), ...done])]));
    } catch { return; }
    for (const row of document.querySelectorAll(".steps, .thumbs ol")) {
      for (const i of seen ? done.filter((one) => !seen.includes(one)) : []) row.children[i].classList.add("sewing");
    }
  }
  sew();

  for (const pick of document.querySelectorAll(".filepick")) {
    pick.addEventListener("change", () => { if (pick.files.length) pick.form.submit(); });
  }
  const dropform = document.querySelector(".dropform");
  let over = 0;
  const files = (event) => [...(event.dataTransfer?.types || [])].includes("Files");
  addEventListener("dragenter", (event) => { if (files(event)) { over += 1; document.body.classList.add("dropping"); event.preventDefault(); } });
  addEventListener("dragleave", (event) => { if (files(event)) { over -= 1; if (over <= 0) document.body.classList.remove("dropping"); } });
  addEventListener("dragover", (event) => { if (files(event)) event.preventDefault(); });
  addEventListener("drop", (event) => {
    document.body.classList.remove("dropping");
    over = 0;
    if (!files(event) || !event.dataTransfer.files.length) return;
    event.preventDefault();
    dropform.querySelector("input[type=file]").files = event.dataTransfer.files;
    dropform.submit();
  });

  const box = document.querySelector("[data-run]");
  if (box && box.querySelector("[data-state=waiting], [data-state=working]")) {
    const source = new EventSource(base + "/run/events");
    source.onmessage = (event) => {
      const told = JSON.parse(event.data);
      for (const one of told.blocks) {
        const item = box.querySelector(`[data-slug="${CSS.escape(one.slug)}"]`);
        if (!item) continue;
        item.dataset.state = one.state;
        item.querySelector("small").textContent = one.state + (one.state === "working" && told.partsOf ? `, ${told.partsDone} of ${told.partsOf}` : "");
      }
      const left = told.secondsLeft ? `, about ${told.secondsLeft} seconds more` : "";
      box.querySelector("[data-run-line]").textContent = told.working ? `${told.word} ${told.working}${told.part ? ": " + told.part : ""}.` : "Working";
      box.querySelector("[data-run-more]").textContent = told.stopping ? "It stops after this one." : `${told.done} of ${told.of} blocks${left}. You can close this page; what is done is kept.`;
      if (!told.busy) { source.close(); location.reload(); }
    };
  }
  if (!document.querySelector("#page-data") || document.querySelector(".little")) root.dataset.ready = "true";
})();
