"use strict";
// A plan on its map: the walk is drawn, new spots are moved, the server says what the plan is worth.
(() => {
  const data = JSON.parse(document.getElementById("page-data").textContent);
  const map = document.querySelector(".spotroom > svg"), gate = map.querySelector(".gate");
  const marks = [...map.querySelectorAll(".spot")];
  const facts = document.getElementById("facts"), worth = document.getElementById("worth");
  const said = document.getElementById("said"), moves = document.getElementById("moves"), keep = document.getElementById("keep");
  const before = { facts: facts.textContent, worth: [...worth.children].map((p) => p.textContent) };
  const start = new Map(marks.map((m) => [m, at(m)]));
  const STEP_M = 1, LONG_M = 10;
  let busy = false, again = false;

  function at(mark) { return [Number(mark.dataset.x), Number(mark.dataset.y)]; }

  function put(mark, [x, y]) {
    mark.dataset.x = x;
    mark.dataset.y = y;
    mark.setAttribute("transform", `translate(${x} ${y})`);
    sew();
  }

  // Where rows cannot be crossed the way goes round their ends: the server knows it.
  function sew(round) {
    const days = new Map();
    for (const mark of marks) days.set(mark.dataset.day, [...(days.get(mark.dataset.day) || []), at(mark)]);
    const ends = gate ? [at(gate)] : [];
    const way = [...days.values()].map((day) => "M" + [...ends, ...day, ...ends].map((p) => p.join(" ")).join("L")).join("");
    for (const path of map.querySelectorAll(".walk, .walkcase")) path.setAttribute("d", round || way);
  }

  function moved() { return marks.filter((m) => String(at(m)) !== String(start.get(m))); }

  function places() {
    return { places: Object.fromEntries(moved().map((m) => [m.dataset.id, [data.west + at(m)[0] / data.scale, data.north - at(m)[1] / data.scale]])) };
  }

  function tell(answer) {
    facts.textContent = answer.facts;
    worth.replaceChildren(...answer.worth.map((line) => Object.assign(document.createElement("p"), { textContent: line })));
  }

  // One question at a time: a drag asks with every step of the pointer.
  async function weigh() {
    moves.hidden = !moved().length;
    if (!moved().length) { tell(before); sew(data.way); said.textContent = ""; keep.disabled = false; return; }
    if (busy) { again = true; return; }
    busy = true;
    const slow = setTimeout(() => { said.textContent = "working"; }, 400);
    const answer = await ask(data.place + "/try", places());
    clearTimeout(slow);
    busy = false;
    // The spots may have been put back meanwhile: then nothing more is to be said of them.
    if (!moved().length) { again = false; weigh(); return; }
    said.textContent = answer.error || answer.near || "";
    keep.disabled = Boolean(answer.error);
    if (answer.worth) { tell({ facts: answer.facts.join(", ") + ".", worth: answer.worth }); if (!again) sew(answer.way); }
    if (again) { again = false; weigh(); }
  }

  function hold(mark) {
    const here = (event) => {
      const p = new DOMPoint(event.clientX, event.clientY).matrixTransform(map.getScreenCTM().inverse());
      return [Math.round(p.x * 10) / 10, Math.round(p.y * 10) / 10];
    };
    mark.addEventListener("pointerdown", (event) => { mark.setPointerCapture(event.pointerId); mark.classList.add("held"); mark.focus(); event.preventDefault(); });
    mark.addEventListener("pointermove", (event) => { if (mark.hasPointerCapture(event.pointerId)) { put(mark, here(event)); weigh(); } });
    mark.addEventListener("pointerup", () => { mark.classList.remove("held"); weigh(); });
    mark.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      if (!step) return;
      const by = (event.shiftKey ? LONG_M : STEP_M) * data.scale;
      put(mark, at(mark).map((v, i) => v + by * step[i]));
      weigh();
      event.preventDefault();
    });
  }

  for (const mark of marks) if (mark.hasAttribute("tabindex")) hold(mark);
  document.getElementById("back").addEventListener("click", () => { for (const mark of marks) put(mark, start.get(mark)); weigh(); });
  keep.addEventListener("click", async () => {
    said.textContent = "working";
    const answer = await ask(data.place + "/keep", places());
    if (answer.said) location.reload();
    else said.textContent = answer.error;
  });
  // Which chance lies under the spots.
  const chance = document.getElementById("chance");
  function showChance() {
    for (const layer of map.querySelectorAll("[data-chance]")) layer.setAttribute("display", layer.dataset.chance === chance.value ? "inline" : "none");
    document.getElementById("chancewords").textContent = data.chances[chance.value];
  }
  if (chance) { chance.addEventListener("change", showChance); showChance(); } // a browser may remember the choice
  sew(data.way);
  document.documentElement.dataset.ready = "true";
})();
