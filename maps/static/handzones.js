"use strict";
// A zone border drawn by hand: points on the map or as text, tried beside the computed zones.
(() => {
  const box = document.querySelector(".byhand"), spotOf = page.spot;
  let lines = [[]], drawing = null, answer = null, turn = 0;

  async function post(what, sent) {
    const told = await ask(`${data.app.place}/border/${what}`, sent);
    if (!told.ok) throw new Error(told.error);
    return told;
  }

  function button(words, onclick, look = "button") { return el("button", { type: "button", class: look, onclick }, words); }
  // A second click would ask for what the first has already done.
  function once(act) { return (event) => { event.currentTarget.disabled = true; act(); }; }
  const down = button("To the points", () => box.querySelector("textarea").focus(), "button topoints");
  function notice(words, role) { return el("p", { class: "notice", role }, words); }

  function idle(said = null) {
    turn++;
    down.remove();
    drawing = null; answer = null; lines = [[]];
    quilt.trace([]);
    const material = page.now();
    const kept = material && (material.verdict === "own" || data.app.borders.includes(material.amendment));
    fill(box, said,
      el("div", { class: "actions" },
        material && !material.nothing ? button("Draw the border yourself", begin) : null,
        kept ? button("Take your border back", once(letGo)) : null));
  }

  function begin() {
    drawing = page.now();
    const text = el("textarea", { id: "border-text", rows: 4, "aria-describedby": "border-how" });
    text.addEventListener("change", () => { lines = read(text.value); quilt.trace(lines); });
    fill(box, el("h2", { tabindex: "-1" }, "Your own border"),
      el("p", { id: "border-how" }, "Click across the block from edge to edge, or move the cross with the arrow keys and press Enter. Or write a place a line, latitude first; an empty line begins another border. What runs along the rows is laid midway between two of them."),
      el("label", { for: "border-text" }, "Places, as -33.9700, 19.9970"), text,
      el("div", { class: "actions" }, button("See what it gives", tryIt, "go"), button("Undo a point", undo), button("Another line", another), button("Leave it", () => leave())),
      el("div", { class: "found", "aria-live": "polite" }));
    box.querySelector("h2").focus();
    box.scrollIntoView({ block: "nearest" });
    // On the phone the two do not stand side by side: the clicks go to the map, a button back.
    document.querySelector("main .furniture").append(down);
    document.querySelector("main").scrollIntoView({ block: "nearest" });
  }

  function read(text) {
    return text.trim().split(/\n\s*\n/).map((line) => line.split("\n").map((place) => (place.match(/[-+]?\d+(\.\d+)?/g) || []).map(Number)).filter((place) => place.length === 2));
  }

  function written() { box.querySelector("textarea").value = lines.map((line) => line.map(([lat, lon]) => `${lat.toFixed(6)}, ${lon.toFixed(6)}`).join("\n")).join("\n\n"); quilt.trace(lines); }
  function undo() { if (!lines.at(-1).length && lines.length > 1) lines.pop(); lines.at(-1).pop(); written(); }
  function another() { if (lines.at(-1).length > 1) lines.push([]); written(); }
  function leave(said) { const before = drawing; if (answer && before) page.draw(before); idle(said); }
  function sent() { return { amendment: drawing.amendment, lines: lines.filter((line) => line.length) }; }

  async function tryIt() {
    const mine = ++turn, border = sent(), found = box.querySelector(".found");
    fill(found, el("p", { class: "quiet" }, "Working it out \u2026"));
    try {
      const told = await post("try", border);
      if (mine !== turn || !drawing) return;
      answer = told;
      page.draw(told.material);
      quilt.trace(lines);
      document.querySelector(".follows").replaceChildren();
      fill(found, beside(told), el("div", { class: "actions" }, button("Keep this border", once(() => keep(border)), "go")));
    } catch (error) { if (mine === turn) fill(found, notice(error.message, "alert")); }
  }

  function beside({ material, computed, losses }) {
    const rates = (one) => one.zones.map((zone) => `${zone.id}: ${zone.rate}, ${zone.ha}\u00a0${UNITS.area}`).flatMap((words) => [words, el("br", {})]);
    const row = (words, own, other) => el("tr", {}, el("th", { scope: "row" }, words), el("td", {}, own), el("td", {}, other));
    const none = "nothing";
    return el("table", {}, el("thead", {}, el("tr", {}, el("td", {}), el("th", { scope: "col" }, "your border"), el("th", { scope: "col" }, "worked out"))), el("tbody", {},
      row("rates", rates(material), computed ? rates(computed) : none),
      row("to spread", massWords(material.totalKg), computed ? massWords(computed.totalKg) : none),
      row("money", material.cost || "no price", computed ? computed.cost || "no price" : none),
      row("cost of rates that miss", losses.own, losses.computed)));
  }

  // What was tried is kept, whatever has been clicked since.
  async function keep(border) {
    try {
      const told = await post("keep", border);
      if (!data.app.borders.includes(border.amendment)) data.app.borders.push(border.amendment);
      leave(notice(told.said, "status"));
      page.followReady();
    } catch (error) { fill(box.querySelector(".found"), notice(error.message, "alert")); }
  }

  async function letGo() {
    const { amendment } = page.now();
    try {
      const told = await post("away", { amendment });
      data.app.borders = data.app.borders.filter((one) => one !== amendment);
      idle(notice(told.said, "status"));
      page.followReady();
    } catch (error) { idle(notice(error.message, "alert")); }
  }

  page.spot = (latlng, sample) => {
    if (!drawing) { spotOf(latlng, sample); return; }
    lines.at(-1).push([latlng.lat, latlng.lng]);
    written();
  };
  // Another material, or another wish, ends the drawing.
  document.querySelector(".strip").addEventListener("click", () => idle());
  new MutationObserver((_, watch) => { if (document.documentElement.dataset.ready) { watch.disconnect(); idle(); } }).observe(document.documentElement, { attributes: true });
})();
