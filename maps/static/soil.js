"use strict";
// Soil of one block: one property at a time, three lenses, all values at a place, four charts.
const page = (() => {
  const say = document.querySelector(".say"), spotBox = document.querySelector(".spot");
  const follows = document.querySelector(".follows"), more = document.querySelector(".more");
  const strip = document.querySelector(".strip"), lensBox = document.querySelector(".lenses");
  const places = lastOf();
  let shown = null, lensShown = null, lacking = null, ringed = null;

  function open() {
    drawStrip();
    watchStrip(strip);
    fromAddress();
    drawMore();
    strip.addEventListener("keydown", walk);
    addEventListener("popstate", fromAddress);
    document.documentElement.dataset.ready = "true";
  }

  function fromAddress() {
    const asked = new URLSearchParams(location.search);
    const one = data.properties.find((p) => p.key === asked.get("show")) || data.properties[0];
    const missing = data.notAnalysed.find((p) => p.key === asked.get("show"));
    if (missing) showWords(missing, false);
    else if (one) show(one, asked.get("lens"), false);
    else fill(say, el("p", { class: "sentence" }, "No property of this block was mapped."));
  }

  function drawStrip() {
    for (const one of data.properties) {
      strip.append(el("button", { type: "button", "data-key": one.key, "aria-pressed": "false", "aria-label": `${one.name}: ${one.verdictWords}`, onclick: () => show(one, lensShown?.key, true) }, propertyPatch(one), one.symbol));
    }
    for (const one of data.notAnalysed) {
      strip.append(el("button", { type: "button", "data-key": one.key, "aria-pressed": "false", "aria-label": one.words, onclick: () => showWords(one, true) }, patch([], "dotted"), one.symbol, el("small", {}, "no data")));
    }
  }

  // Arrow keys walk along the strip; Enter or the space bar shows where one stands.
  function walk(event) {
    const all = [...strip.querySelectorAll("button")];
    const next = all[all.indexOf(event.target) + ({ ArrowRight: 1, ArrowLeft: -1 }[event.key] || NaN)];
    if (!next) return;
    next.focus();
    event.preventDefault();
  }

  function press(key) {
    for (const button of strip.querySelectorAll("button")) button.setAttribute("aria-pressed", String(button.dataset.key === key));
    strip.querySelector("[aria-pressed=true]")?.scrollIntoView({ block: "nearest", inline: "nearest" });
  }

  function show(one, lensKey, remember) {
    const lens = one.lenses.find((l) => l.key === lensKey) || one.lenses[0];
    shown = one;
    lacking = null;
    lensShown = lens;
    press(one.key);
    const address = `?show=${one.key}&lens=${lens.key}`;
    if (remember && location.search !== address) history.pushState(null, "", address);
    lensBox.replaceChildren(...one.lenses.map((l) => el("button", { type: "button", role: "radio", "aria-checked": String(l === lens), tabindex: l === lens ? "0" : "-1", onclick: () => show(one, l.key, true) }, propertyPatch(one, l), l.words)));
    quilt.showPicture(one, lens);
    drawClasses(lens);
    const unit = one.unit ? " " + one.unit : "";
    fill(say,
      el("p", { class: "verdict" }, icon(one.verdict), one.verdictWords),
      el("p", { class: "sentence" }, one.sentence),
      el("p", { class: "quiet" }, tested(one)),
      el("p", {}, one.verdict === "none" ? one.rating : `Block mean ${one.mean}${unit} (${one.meanRange}, two in three). ${one.rating}`),
      one.ratingSources.length ? el("details", {}, el("summary", {}, "Whose table?"), sourceList(one.ratingSources)) : null);
    drawFollows(one);
    if (ringed) drawSpot(ringed);
  }

  // The verdict stands above; its word is not said twice.
  function tested(one) { return one.why.startsWith(one.verdictWords + ". ") ? one.why.slice(one.verdictWords.length + 2) : one.why; }

  function drawFollows(one) {
    const spread = data.materials.filter((m) => !m.nothing);
    const held = data.held.filter((h) => h.kind === "held").map((h) => h.word.toLowerCase());
    const words = spread.length ? spread.map((m) => `${m.word}: ${massWords(m.totalKg)}, ${m.verdictWords.toLowerCase()}.`).join(" ") : "Nothing to spread here.";
    const box = el("div", {});
    const charts = el("button", { type: "button", class: "button", "aria-expanded": "false", onclick: () => drawCharts(one, box, charts) }, "How was this map made?");
    fill(follows,
      el("h2", {}, "What to spread here"),
      el("p", {}, words),
      held.length ? el("p", { class: "quiet" }, `Held: ${held.join(", ")}.`) : null,
      el("div", { class: "actions" }, el("a", { class: "go", href: data.app.place + "/zones" }, "See zones and rates"), el("a", { class: "button", href: data.app.place + "/file/report.pdf" }, "Print for the shed"), charts), box);
  }

  async function drawCharts(one, box, button) {
    if (button.getAttribute("aria-expanded") === "true") {
      box.replaceChildren();
      button.setAttribute("aria-expanded", "false");
      return;
    }
    button.setAttribute("aria-expanded", "true");
    const answer = await fetch(`${data.app.place}/charts/${one.key}`, { headers: { "x-soilquilt": "1" } }).catch(() => null);
    if (shown !== one || button.getAttribute("aria-expanded") !== "true") return;
    if (!answer?.ok) { fill(box, el("p", { class: "notice", role: "alert" }, answer ? NO_WORDS : NO_ANSWER)); return; }
    // The server escapes every word in it; parsing makes nothing of it run.
    const parsed = new DOMParser().parseFromString(await answer.text(), "text/html");
    box.replaceChildren(...parsed.body.children);
  }

  function sourceList(keys) {
    return el("ul", { class: "quiet" }, keys.map((k) => el("li", {}, `${k}: ${data.sources[k] || ""}`)));
  }

  // Nothing is known of it: the block alone, without a picture, a lens or a legend.
  function showWords(one, remember) {
    press(one.key);
    const address = `?show=${one.key}`;
    if (remember && location.search !== address) history.pushState(null, "", address);
    shown = null;
    lacking = one;
    lensBox.replaceChildren();
    quilt.showZones({ amendment: "", zones: [{ id: 0, kg: 0, rank: 0, fill: token("--sheet"), rate: "", labels: [], outline: data.outline.geometry }] });
    document.querySelector(".legend").replaceChildren();
    spotBox.replaceChildren();
    fill(say, el("p", { class: "verdict" }, icon("none"), "Not analysed"), el("p", { class: "sentence" }, one.words));
    follows.replaceChildren();
  }

  function drawMore() {
    const also = data.properties.filter((p) => p.rating && !p.rating.includes("target")).slice(0, 5);
    const rows = data.properties.map((p) => el("tr", {}, el("td", {}, p.name), el("td", { class: "n" }, p.mean + (p.unit ? " " + p.unit : "")), el("td", {}, p.verdictWords)));
    const asks = data.findings.filter((f) => f.severity === "open");
    fill(more,
      also.length ? el("h2", {}, "Also in this block") : null,
      also.map((p) => el("p", {}, `${capital(p.name)}: `, el("button", { type: "button", class: "n", onclick: () => show(p, "found", true) }, p.mean + (p.unit ? " " + p.unit : "")), ` over the block${ratingWord(p)}.`)),
      asks.length ? el("details", {}, el("summary", {}, `${asks.length} open question${asks.length > 1 ? "s" : ""}`), el("ul", {}, asks.map((f) => el("li", {}, f.message, " ", f.done)))) : null,
      el("details", {}, el("summary", {}, "Read as a table"), el("table", {}, el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "property"), el("th", { scope: "col", class: "n" }, "block mean"), el("th", { scope: "col" }, "map"))), el("tbody", {}, rows))));
  }

  // "The block's mean is low." as a word after the number; farms run before say "rates low".
  function ratingWord(p) { const hit = p.rating.match(/^The block's mean (?:is|rates) ([a-z ,]+)\./); return hit ? ", " + hit[1] : ""; }

  async function spot(latlng, sample) {
    quilt.mark(latlng);
    const here = await places.ask(`${data.app.place}/value?lat=${latlng.lat}&lon=${latlng.lng}`);
    if (!here) return;
    ringed = here.ok ? { here, sample } : null;
    if (lacking) return;
    if (ringed) drawSpot(ringed);
    else fill(spotBox, el("p", { class: "notice", role: "alert" }, here.error));
  }

  // What is known at the ringed spot, the shown property first.
  function drawSpot({ here, sample }) {
    if (!here.inside && !sample) {
      fill(spotBox, el("h2", {}, "At the ringed spot"), el("p", {}, `Outside ${data.block}.`));
      return;
    }
    const first = here.rows.find((r) => r.key === shown?.key);
    const lab = (key) => { const cell = sample && sample.values[key]; return cell ? cell.text + (cell.open ? " (open question)" : "") : sample ? "not analysed" : null; };
    const near = here.near && !sample ? here.near.values[shown?.key] : null, open = sample || spotBox.querySelector("details[open]");
    const head = el("tr", {}, el("th", { scope: "col" }, ""), el("th", { scope: "col", class: "n" }, "map"), el("th", { scope: "col" }, "two in three"), el("th", { scope: "col" }, sample ? "laboratory" : "rating"));
    const rows = here.rows.map((r) => el("tr", {}, el("td", {}, r.symbol), el("td", { class: "n" }, el("b", {}, r.value)), el("td", {}, `${r.range} ${r.unit}`), el("td", {}, sample ? lab(r.key) : r.words)));
    fill(spotBox,
      el("h2", {}, sample ? `Sample ${sample.id}` : "At the ringed spot"),
      first ? el("p", {}, `${capital(shown.name)} `, el("b", {}, first.value + (first.unit ? " " + first.unit : "")), ` (${first.range}, two in three)${first.words ? ": " + first.words : ""}.`) : null,
      first && first.chance ? el("p", {}, capital(first.chanceOf) + ": ", el("b", {}, first.chance), ".") : null,
      near ? el("p", { class: "quiet" }, `Nearest sample ${here.near.id}, ${here.near.metres} m away, measured ${near.text}.`) : null,
      el("details", { open: open ? "" : null }, el("summary", {}, "All values here"), el("table", {}, el("thead", {}, head), el("tbody", {}, rows))));
  }

  function redraw() { if (shown) show(shown, lensShown.key, false); else if (lacking) showWords(lacking, false); }
  return { open, spot, redraw };
})();
