"use strict";
// map.html: everything from the data in the page, with no server to ask.
const page = (() => {
  const say = document.querySelector(".say"), spotBox = document.querySelector(".spot"), more = document.querySelector(".more");
  const strip = document.querySelector(".strip"), lensBox = document.querySelector(".lenses");
  let chosen = null;

  function open() {
    drawStrip();
    watchStrip(strip);
    const [kind, key, lens] = location.hash.slice(1).split("/");
    const one = data.properties.find((p) => p.key === key);
    const material = data.materials.find((m) => m.amendment === key);
    const held = data.held.find((h) => h.amendment === key), missing = data.notAnalysed.find((n) => n.key === key);
    if (kind === "zones" && material) showMaterial(material);
    else if (kind === "held" && held) showHeld(held);
    else if (kind === "none" && missing) showWords(missing);
    else if (one) showProperty(one, lens);
    else if (data.properties.length) showProperty(data.properties[0]);
    else say.append(el("p", { class: "sentence" }, "No property of this block was mapped."));
    drawMore();
    unfoldForPaper();
    document.documentElement.dataset.ready = "true";
  }

  // Paper cannot be unfolded: what is folded is open while it is printed.
  function unfoldForPaper() {
    let folded = [];
    addEventListener("beforeprint", () => { folded = [...document.querySelectorAll("details:not([open])")]; for (const one of folded) one.open = true; });
    addEventListener("afterprint", () => { for (const one of folded) one.open = false; });
  }

  function drawStrip() {
    for (const one of data.properties) {
      strip.append(el("button", { type: "button", "data-key": "soil/" + one.key, "aria-pressed": "false", title: one.name + ": " + one.verdictWords, onclick: () => showProperty(one) }, propertyPatch(one), one.symbol));
    }
    for (const one of data.notAnalysed) {
      strip.append(el("button", { type: "button", "data-key": "none/" + one.key, "aria-pressed": "false", onclick: () => showWords(one) }, patch([], "dotted"), one.symbol, el("small", {}, "no data")));
    }
    if (data.materials.length || data.held.length) strip.append(el("span", { class: "gap", "aria-hidden": "true" }));
    for (const material of data.materials) {
      const shapes = material.zones.flatMap((zone) => {
        const path = { d: frame.path(zone.outline), fill: zone.fill, "fill-rule": "evenodd" };
        return [svg("path", path)];
      });
      strip.append(el("button", { type: "button", "data-key": "zones/" + material.amendment, "aria-pressed": "false", onclick: () => showMaterial(material) }, patch(shapes, "solid"), material.word, el("small", {}, material.nothing ? "none" : massWords(material.totalKg))));
    }
    for (const one of data.held) {
      const leaf = one.kind === "held" ? [svg("g", { transform: "translate(10 10)", fill: "none", stroke: "currentColor", "stroke-width": "1.6" }, ...ICONS.held.map((d) => svg("path", { d })))] : [];
      strip.append(el("button", { type: "button", "data-key": "held/" + one.amendment, "aria-pressed": "false", onclick: () => showHeld(one) }, patch(leaf, one.kind === "no_data" ? "dotted" : "solid"), one.word, el("small", {}, { held: "held", none_needed: "none", no_data: "no data", not_worthwhile: "not worth it" }[one.kind] || one.kind)));
    }
  }


  // A patch is brought clear of the arrows.
  function intoView(button) {
    if (!button) return;
    const room = strip.clientWidth - 136, at = button.offsetLeft - strip.offsetLeft;
    if (at - strip.scrollLeft < 68) strip.scrollLeft = at - 68;
    else if (at + button.offsetWidth - strip.scrollLeft > room + 68) strip.scrollLeft = at + button.offsetWidth - room - 68;
  }

  function press(key) {
    chosen = key;
    for (const button of strip.querySelectorAll("button")) button.setAttribute("aria-pressed", String(button.dataset.key === key));
    intoView(strip.querySelector("[aria-pressed=true]"));
  }

  function showProperty(one, lensKey) {
    press("soil/" + one.key);
    const lens = one.lenses.find((l) => l.key === lensKey) || one.lenses[0];
    history.replaceState(null, "", `#soil/${one.key}/${lens.key}`);
    drawLenses(one, lens);
    quilt.showPicture(one, lens);
    drawClasses(lens);
    const unit = one.unit ? " " + one.unit : "";
    fill(say, 
      el("p", { class: "verdict" }, icon(one.verdict), one.verdictWords),
      el("p", { class: "sentence" }, one.sentence),
      one.verdict === "useful" ? el("p", {}, `The block's average is ${one.mean}${unit} (${one.meanRange}, two in three).`) : null,
      el("p", {}, tested(one)),
      one.rating ? el("p", {}, one.rating) : null,
      one.ratingSources.length ? el("details", {}, el("summary", {}, "Whose table?"), sourceList(one.ratingSources)) : null,
      one.notes.length ? el("ul", { class: "quiet" }, one.notes.map((n) => el("li", {}, n))) : null,
      el("p", { class: "quiet" }, one.method ? `Method: ${one.method}.` : ""),
      figures("How was this map made?", one.charts));
  }

  // The verdict stands above; its word is not said twice.
  function tested(one) { return one.why.startsWith(one.verdictWords + ". ") ? one.why.slice(one.verdictWords.length + 2) : one.why; }

  // A radio group: one stop for the tab key, arrows choose.
  function drawLenses(one, lens) {
    lensBox.replaceChildren(...one.lenses.map((l) => el("button", { type: "button", role: "radio", "aria-checked": String(l === lens), tabindex: l === lens ? "0" : "-1", onclick: () => choose(one, l) }, propertyPatch(one, l), l.words)));
    lensBox.onkeydown = (event) => {
      const by = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
      if (!by) return;
      event.preventDefault();
      choose(one, one.lenses[(one.lenses.indexOf(lens) + by + one.lenses.length) % one.lenses.length]);
    };
  }

  function choose(one, lens) {
    showProperty(one, lens.key);
    lensBox.querySelector("[aria-checked=true]").focus();
  }

  function showMaterial(material) {
    press("zones/" + material.amendment);
    history.replaceState(null, "", "#zones/" + material.amendment);
    lensBox.replaceChildren();
    quilt.showZones(material);
    drawZoneKey(material);
    const body = material.zones.map((zone) => el("tr", {}, el("td", {}, el("span", { class: "disc" }, String(zone.id))), el("td", { class: "n" }, zone.ha), el("td", { class: "n" }, el("b", {}, zone.rate), zone.passes.length > 1 ? el("div", { class: "quiet" }, zone.passes.join(", then ")) : null), el("td", {}, zone.range), el("td", { class: "n" }, massWords(zone.kg))));
    const head = el("tr", {}, el("th", { scope: "col" }, "zone"), el("th", { scope: "col", class: "n" }, UNITS.area), el("th", { scope: "col", class: "n" }, "rate"), el("th", { scope: "col" }, "two in three"), el("th", { scope: "col", class: "n" }, "in all"));
    const uniform = material.uniform;
    fill(say, 
      el("p", { class: "verdict" }, icon(material.verdict === "one_rate" ? "none" : material.verdict === "too_few" ? "weak" : "useful"), material.verdictWords),
      el("p", { class: "sentence" }, `${material.word}: ${material.nothing ? "none here" : massWords(material.totalKg) + " of " + material.material}.`),
      material.twice.length ? el("div", { class: "twice", role: "note" }, material.twice.map((said, i) => el("p", {}, i ? said : el("b", {}, said)))) : null,
      el("p", {}, material.why),
      material.leftOut ? el("p", { class: "quiet" }, material.leftOut) : null,
      el("table", {}, el("caption", {}, `Product as spread, per block ${UNITS.area === "ac" ? "acre" : "hectare"}`), el("thead", {}, head), el("tbody", {}, body)),
      uniform && material.zones.length > 1 ? el("p", {}, `${uniform.rate === "none" ? "With one rate nothing would be spread" : `One rate instead: ${uniform.rate}, ${uniform.total}${uniform.cost ? ", " + uniform.cost : ""}`}. With zones: ${massWords(material.totalKg)}${material.cost ? ", " + material.cost : ""}.`) : null,
      material.fromMemory ? el("p", {}, el("span", { class: "flag" }, "from memory, please check")) : null,
      el("details", {}, el("summary", {}, "Why these rates?"), el("ul", {}, material.reasons.map((r) => el("li", {}, r))), sourceList(material.sources)),
      figures("Do the zones differ?", material.charts));
  }

  function sourceList(keys) {
    return keys.length ? el("ul", { class: "quiet" }, keys.map((k) => el("li", {}, `${k}: ${data.sources[k] || ""}`))) : null;
  }

  function showHeld(one) {
    press("held/" + one.amendment);
    history.replaceState(null, "", "#held/" + one.amendment);
    const words = { held: "held", none_needed: "not needed", no_data: "not analysed", not_worthwhile: "not worthwhile" }[one.kind] || one.kind;
    fill(say, el("p", { class: "verdict" }, icon(one.kind === "held" ? "held" : "none"), `${one.word}: ${words}`), el("p", { class: "sentence" }, one.reason), sourceList(one.sources));
  }

  function showWords(one) {
    press("none/" + one.key);
    fill(say, el("p", { class: "verdict" }, icon("none"), "Not analysed"), el("p", { class: "sentence" }, one.words));
  }

  function drawMore() {
    const asks = data.findings.filter((f) => f.severity === "open");
    const notes = data.findings.filter((f) => f.severity !== "open");
    const line = (f) => el("li", { class: f.severity === "open" ? "edge" : "" }, f.message, " ", f.done, f.proposal ? " Proposed: " + f.proposal[0].toLowerCase() + f.proposal.slice(1) : "", f.where ? el("div", { class: "quiet" }, f.where) : null);
    const spread = data.materials.filter((m) => !m.nothing);
    const held = data.held.filter((h) => h.kind === "held");
    more.append(el("h2", {}, "What to spread"),
      spread.length ? el("ul", { class: "plain" }, spread.map((m) => el("li", {}, el("button", { type: "button", class: "n", onclick: () => { showMaterial(m); say.scrollIntoView({ block: "nearest" }); } }, `${m.word}: ${massWords(m.totalKg)}`), ` of ${m.material}, ${m.zones.length > 1 ? m.zones.length + " zones" : "one rate"}`))) : el("p", {}, "Nothing, by these results."),
      held.length ? el("p", { class: "quiet" }, `Held until more is known: ${held.map((h) => h.word.toLowerCase()).join(", ")}.`) : "");
    if (asks.length) more.append(el("h2", {}, `${asks.length} open question${asks.length > 1 ? "s" : ""}`), el("ul", {}, asks.map(line)));
    if (data.cautions.length) more.append(el("h2", {}, "Mind"), el("ul", {}, data.cautions.map((c) => el("li", {}, c))));
    if (notes.length) more.append(el("details", {}, el("summary", {}, "What was met in the files"), el("ul", {}, notes.map(line))));
    const rows = data.properties.map((p) => el("tr", {}, el("td", {}, p.name), el("td", { class: "n" }, p.mean + (p.unit ? " " + p.unit : "")), el("td", {}, p.verdictWords)));
    more.append(el("details", {}, el("summary", {}, "Read as a table"), el("table", {}, el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "property"), el("th", { scope: "col", class: "n" }, "block mean"), el("th", { scope: "col" }, "map"))), el("tbody", {}, rows))));
  }

  // The grids are whole steps; a click is read between the four places around it, which it finds
  // by the fit that came with them.
  const unpacked = {};
  function stepsOf(key, part) {
    const id = key + part;
    if (!unpacked[id]) {
      const bytes = Uint8Array.from(atob(data.readOut.grids[key][part].data), (c) => c.charCodeAt(0));
      unpacked[id] = part === "mean" ? new Uint16Array(bytes.buffer) : bytes;
    }
    return unpacked[id];
  }

  function valueAt(latlng, key) {
    const out = data.readOut;
    if (!out.grids?.[key] || !holds(data.outline.geometry, latlng)) return null;
    const [dx, dy] = [latlng.lng - out.middle[0], latlng.lat - out.middle[1]];
    const last = [out.columns - 1, out.rows - 1];
    const [x, y] = out.fit.map((f, i) => Math.min(Math.max(f[0] + f[1] * dx + f[2] * dy, 0), last[i]));
    const [left, top] = [Math.floor(x), Math.floor(y)], [right, foot] = [Math.ceil(x), Math.ceil(y)];
    const read = (part) => {
      const grid = out.grids[key][part], steps = stepsOf(key, part);
      const along = (row) => steps[row * out.columns + left] * (1 - x + left) + steps[row * out.columns + right] * (x - left);
      const step = along(top) * (1 - y + top) + along(foot) * (y - top);
      return step ? grid.low + (step - 1) * grid.scale : null;
    };
    const mean = read("mean");
    return mean === null ? null : { mean, half: read("half") };
  }

  function digits(value, unit) {
    if (unit === "") return value.toFixed(1);
    if (value >= 100) return String(Math.round(value));
    return value === 0 ? "0" : value.toFixed(Math.max(0, 1 - Math.floor(Math.log10(Math.abs(value)))));
  }

  function spot(latlng, sample) {
    const rows = data.properties.map((one) => {
      const here = valueAt(latlng, one.key);
      const cell = sample && sample.values[one.key];
      if (!here && !cell) return null;
      return el("tr", {}, el("td", {}, one.symbol),
        el("td", { class: "n" }, here ? el("b", {}, digits(here.mean, one.unit)) : ""),
        el("td", {}, here ? `± ${digits(here.half, one.unit)} ${one.unit}` : ""),
        sample ? el("td", {}, cell ? cell.text + (cell.open ? " (open question)" : "") : "not analysed") : null);
    }).filter(Boolean);
    if (!rows.length) return;
    quilt.mark(latlng);
    const head = el("tr", {}, el("th", { scope: "col" }, ""), el("th", { scope: "col", class: "n" }, "map"), el("th", { scope: "col" }, "two in three"), sample ? el("th", { scope: "col" }, "laboratory") : null);
    const title = el("h2", {}, sample ? `Sample ${sample.id}` : "At the ringed spot");
    spotBox.replaceChildren(title, el("table", {}, el("thead", {}, head), el("tbody", {}, rows)));
  }

  return { open, spot };
})();
