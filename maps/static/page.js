"use strict";
// What the page shows is data; names and sentences reach the page through textContent only.
const data = JSON.parse(document.getElementById("page-data").textContent);
const SVG = "http://www.w3.org/2000/svg";
const ZONE_STITCHES = { 0: [], 1: ["C"], 2: ["D", "B"], 3: ["D", "C", "B"], 4: ["D", "C", "B", "A"] };

function el(tag, attributes, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes || {})) {
    if (name === "onclick") node.addEventListener("click", value);
    else if (value !== null && value !== undefined && value !== false) node.setAttribute(name, value);
  }
  for (const child of children.flat()) {
    if (child !== null && child !== undefined && child !== "") node.append(child);
  }
  return node;
}

// Like replaceChildren, without the nothings.
function fill(node, ...children) { node.replaceChildren(...children.flat().filter((c) => c !== null && c !== undefined && c !== "")); }

function svg(tag, attributes, ...children) {
  const node = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes || {})) node.setAttribute(name, value);
  node.append(...children);
  return node;
}

// Icons: 20 px grid, always beside a word.
const ICONS = {
  useful: ["M3 2.5h14a.5.5 0 0 1 .5.5v14a.5.5 0 0 1-.5.5H3a.5.5 0 0 1-.5-.5V3a.5.5 0 0 1 .5-.5z", "M2.5 12C9 11 11 9 12 2.5", "M6 17.5C10 13 13 12 17.5 11"],
  weak: ["M3 2.5h14a.5.5 0 0 1 .5.5v14a.5.5 0 0 1-.5.5H3a.5.5 0 0 1-.5-.5V3a.5.5 0 0 1 .5-.5z", "M5 12l2-1M9 10l2-2M12 6l1-3M8 16l2-2M13 13l3-1"],
  none: ["M3 2.5h14a.5.5 0 0 1 .5.5v14a.5.5 0 0 1-.5.5H3a.5.5 0 0 1-.5-.5V3a.5.5 0 0 1 .5-.5z", "M6 10h8"],
  held: ["M10 18v-7", "M10 11C10 7 6 6 3 6c0 4 3 6 7 5z", "M10 12c0-4 3-6 7-6 0 4-3 6-7 6z"],
  asks: ["M10 2.5a7.5 7.5 0 1 0 0 15 7.5 7.5 0 0 0 0-15z", "M7.8 8a2.2 2.2 0 1 1 3.2 2c-.7.4-1 .8-1 1.6M10 14.2v.2"],
};
function icon(name) {
  const node = svg("svg", { viewBox: "0 0 20 20", "aria-hidden": "true", fill: "none", stroke: "currentColor", "stroke-width": "1.6", "stroke-linecap": "round", "stroke-linejoin": "round" });
  for (const d of ICONS[name]) node.append(svg("path", { d }));
  return node;
}

// A small drawing of the block itself, for the strip.
function rings(geometry) {
  return geometry.type === "Polygon" ? geometry.coordinates : geometry.coordinates.flat();
}
const frame = (() => {
  const points = rings(data.outline.geometry).flat();
  const [west, east] = [Math.min(...points.map((p) => p[0])), Math.max(...points.map((p) => p[0]))];
  const [south, north] = [Math.min(...points.map((p) => p[1])), Math.max(...points.map((p) => p[1]))];
  const squeeze = Math.cos(((south + north) / 2) * Math.PI / 180);
  const size = Math.max((east - west) * squeeze, north - south);
  const dx = (36 - (east - west) * squeeze / size * 36) / 2, dy = (36 - (north - south) / size * 36) / 2;
  const place = ([lon, lat]) => [2 + dx + (lon - west) * squeeze / size * 36, 2 + dy + (north - lat) / size * 36];
  const path = (geometry) => rings(geometry).map((r) => "M" + r.map((p) => place(p).map((c) => c.toFixed(1)).join(" ")).join("L") + "Z").join("");
  return { place, path, outline: path(data.outline.geometry), bounds: [[south, west], [north, east]] };
})();

function patch(content, style) {
  const node = svg("svg", { viewBox: "0 0 40 40", "aria-hidden": "true" });
  node.append(...content);
  node.append(svg("path", { d: frame.outline, fill: "none", stroke: "currentColor", "stroke-width": "1.4", "stroke-dasharray": { dashed: "4 2.5", dotted: "1 2.5" }[style] || "none", "fill-rule": "evenodd" }));
  return node;
}

function propertyPatch(one) {
  const lens = one.lenses[0];
  if (one.verdict === "none") {
    return patch([svg("path", { d: frame.outline, fill: middleColor(one), "fill-rule": "evenodd" }), svg("path", { d: "M13 20h14", stroke: "#14262b", "stroke-width": "2" })], "solid");
  }
  const [[south, west], [north, east]] = lens.bounds;
  const [x, y] = frame.place([west, north]), [x2, y2] = frame.place([east, south]);
  const image = svg("image", { href: lens.picture, x, y, width: x2 - x, height: y2 - y, preserveAspectRatio: "none", opacity: one.verdict === "weak" ? 0.55 : 1 });
  return patch([image], one.verdict === "weak" ? "dashed" : "solid");
}

function middleColor(one) {
  const legend = one.lenses[0].legend;
  const words = one.rating.toLowerCase();
  const hit = legend.filter((c) => c.words && words.includes(" " + c.words)).sort((a, b) => b.words.length - a.words.length)[0];
  return (hit || legend[Math.floor(legend.length / 2)]).color;
}

function stitchOf(material, zone) {
  const spread = material.zones.filter((z) => z.kg > 0).length;
  const nothing = material.zones.length - spread;
  return zone.kg > 0 ? ZONE_STITCHES[Math.min(4, spread)][zone.rank - nothing] || "A" : null;
}

// Leaflet layers arrive here from the map's script, with a key each.
window.quilt = (() => {
  const layers = {};
  let map = null, shown = [], ring = null;

  function layer(key, one, itsMap) {
    layers[key] = one;
    map = itsMap;
    // The map's script puts each layer on the map only after this call: wait for its end.
    if (key === "outline") setTimeout(start);
  }

  function clear() { for (const one of shown) map.removeLayer(one); shown = []; }
  function add(one) { one.addTo(map); shown.push(one); return one; }

  function showPicture(one, lens) {
    clear();
    const overlay = layers[`picture:${one.key}:${lens.key}`];
    overlay.setUrl(lens.picture);
    add(overlay);
    if (one.verdict === "none" && lens.key === "found") overlay.setOpacity(0.35);
    else overlay.setOpacity(one.verdict === "weak" ? 0.8 : 1);
    addSamples(one);
    layers.outline.bringToFront();
  }

  function showZones(material) {
    clear();
    const group = layers[`zones:${material.amendment}`];
    group.eachLayer((shape) => {
      const zone = material.zones.find((z) => z.id === shape.feature.properties.zone);
      add(L.geoJSON(shape.feature, { style: { stroke: false, fillColor: zone.fill, fillOpacity: 1 } }));
      const stitch = stitchOf(material, zone);
      if (stitch) {
        add(L.geoJSON(shape.feature, { style: { stroke: false, fillOpacity: 1, className: "stitched-" + stitch }, onEachFeature: (f, l) => l.on("add", () => l.getElement().setAttribute("fill", `url(#stitch-${stitch})`)) }));
      }
      add(L.geoJSON(shape.feature, { style: { color: getComputedStyle(document.documentElement).getPropertyValue("--sheet"), weight: 3.6, fill: false } }));
      add(L.geoJSON(shape.feature, { style: { color: "#14262b", weight: 1.5, fill: false } }));
    });
    for (const zone of material.zones) {
      for (const place of zone.labels) {
        const disc = el("span", { class: "disc" }, String(zone.id));
        add(L.marker(place, { interactive: false, keyboard: false, icon: L.divIcon({ html: disc, className: "", iconSize: [26, 26] }) }));
      }
    }
    addSamples(null);
    layers.outline.bringToFront();
  }

  function addSamples(one) {
    for (const sample of data.samples) {
      const cell = one && sample.values[one.key];
      const open = cell && cell.open;
      add(L.circleMarker([sample.lat, sample.lon], { radius: open ? 6 : 4, color: open ? getComputedStyle(document.documentElement).getPropertyValue("--thread") : "#14262b", weight: open ? 3 : 1.8, fill: true, fillColor: "#fff", fillOpacity: one && !cell ? 0 : 1, dashArray: one && !cell ? "1 3" : null }))
        .on("click", (event) => { L.DomEvent.stop(event); page.spot(event.latlng, sample); });
    }
  }

  function mark(latlng) {
    if (ring) for (const one of ring) map.removeLayer(one);
    const thread = getComputedStyle(document.documentElement).getPropertyValue("--thread");
    ring = [L.circleMarker(latlng, { radius: 11, weight: 5, color: "#fff", fill: false, interactive: false }), L.circleMarker(latlng, { radius: 11, weight: 2.6, color: thread, fill: false, interactive: false })];
    for (const one of ring) one.addTo(map);
  }

  function start() {
    for (const [key, one] of Object.entries(layers)) if (key !== "outline") map.removeLayer(one);
    const ink = getComputedStyle(document.documentElement).getPropertyValue("--ink");
    layers.outline.setStyle({ color: ink, weight: 2, fill: false, interactive: false });
    whole();
    L.control.scale({ imperial: false, position: "bottomright" }).addTo(map);
    map.on("click", (event) => page.spot(event.latlng, null));
    new ResizeObserver(() => { map.invalidateSize(); whole(); }).observe(map.getContainer());
    const zoom = el("div", { class: "zoom", role: "group", "aria-label": "Zoom" },
      el("button", { type: "button", "aria-label": "Closer", onclick: () => map.zoomIn() }, "+"),
      el("button", { type: "button", "aria-label": "Further", onclick: () => map.zoomOut() }, "\u2212"),
      el("button", { type: "button", "aria-label": "Whole block", onclick: whole }, "\u26F6"));
    document.querySelector(".ground").append(zoom);
    page.open();
  }

  function whole() { map.fitBounds(frame.bounds, { padding: [26, 26], animate: false }); }
  return { layer, showPicture, showZones, mark };
})();

const page = (() => {
  const say = document.querySelector(".say"), spotBox = document.querySelector(".spot"), more = document.querySelector(".more");
  const strip = document.querySelector(".strip"), lensBox = document.querySelector(".lenses"), legend = document.querySelector(".legend");
  let chosen = null;

  function open() {
    drawStrip();
    const [kind, key, lens] = location.hash.slice(1).split("/");
    const one = data.properties.find((p) => p.key === key);
    const material = data.materials.find((m) => m.amendment === key);
    if (kind === "zones" && material) showMaterial(material);
    else if (one) showProperty(one, lens);
    else if (data.properties.length) showProperty(data.properties[0]);
    else say.append(el("p", { class: "sentence" }, "No property of this block was mapped."));
    drawMore();
    document.documentElement.dataset.ready = "true";
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

  function capital(name) { return name.startsWith("pH") ? name : name[0].toUpperCase() + name.slice(1); }
  function massWords(kg) { return kg >= 1000 ? (kg / 1000).toFixed(1) + " t" : Math.round(kg) + " kg"; }

  function press(key) {
    chosen = key;
    for (const button of strip.querySelectorAll("button")) button.setAttribute("aria-pressed", String(button.dataset.key === key));
    strip.querySelector("[aria-pressed=true]")?.scrollIntoView({ block: "nearest", inline: "nearest" });
  }

  function showProperty(one, lensKey) {
    press("soil/" + one.key);
    const lens = one.lenses.find((l) => l.key === lensKey) || one.lenses[0];
    history.replaceState(null, "", `#soil/${one.key}/${lens.key}`);
    lensBox.replaceChildren(...one.lenses.map((l) => el("button", { type: "button", role: "radio", "aria-checked": String(l === lens), onclick: () => showProperty(one, l.key) }, l.words)));
    quilt.showPicture(one, lens);
    drawClasses(lens);
    const unit = one.unit ? " " + one.unit : "";
    fill(say, 
      el("p", { class: "verdict" }, icon(one.verdict), one.verdictWords),
      el("p", { class: "sentence" }, `${capital(one.name)}: ${one.mean}${unit} over the block (${one.meanRange}, two in three).`),
      el("p", {}, one.why),
      one.rating ? el("p", {}, one.rating) : null,
      one.ratingSources.length ? el("details", {}, el("summary", {}, "Whose table?"), sourceList(one.ratingSources)) : null,
      one.notes.length ? el("ul", {}, one.notes.map((n) => el("li", {}, n))) : null,
      el("p", { class: "quiet" }, one.method ? `Method: ${one.method}.` : ""));
  }

  function drawClasses(lens) {
    const box = el("div", { class: "classes" });
    lens.legend.forEach((c) => {
      const bar = el("i", {});
      bar.style.background = c.color;
      box.append(el("span", {}, el("span", { class: "word" + (c.target ? " target" : "") }, c.target ? "target" : c.words || "\u00a0"), bar, el("span", { class: "from" }, c.from || "\u00a0")));
    });
    fill(legend, box, lens.legendUnit ? el("div", { class: "quiet" }, lens.legendUnit) : null);
  }

  function showMaterial(material) {
    press("zones/" + material.amendment);
    history.replaceState(null, "", "#zones/" + material.amendment);
    lensBox.replaceChildren();
    quilt.showZones(material);
    const key = el("div", { class: "zonekey" });
    for (const zone of material.zones) {
      const stitch = stitchOf(material, zone);
      const swatch = svg("svg", { viewBox: "0 0 34 22", "aria-hidden": "true" }, svg("rect", { x: 1, y: 1, width: 32, height: 20, rx: 5, fill: zone.fill, stroke: "#14262b" }));
      if (stitch) swatch.append(svg("rect", { x: 1, y: 1, width: 32, height: 20, rx: 5, fill: `url(#stitch-${stitch})` }));
      key.append(el("span", {}, swatch, `${zone.id}: ${zone.rate}`));
    }
    legend.replaceChildren(key);
    const body = material.zones.map((zone) => el("tr", {}, el("td", {}, el("span", { class: "disc" }, String(zone.id))), el("td", { class: "n" }, zone.ha), el("td", { class: "n" }, el("b", {}, zone.rate), zone.passes.length > 1 ? el("div", { class: "quiet" }, zone.passes.join(", then ")) : null), el("td", {}, zone.range), el("td", { class: "n" }, massWords(zone.kg))));
    const head = el("tr", {}, el("th", { scope: "col" }, "zone"), el("th", { scope: "col", class: "n" }, "ha"), el("th", { scope: "col", class: "n" }, "rate"), el("th", { scope: "col" }, "two in three"), el("th", { scope: "col", class: "n" }, "in all"));
    const uniform = material.uniform;
    fill(say, 
      el("p", { class: "verdict" }, icon(material.verdict === "one_rate" ? "none" : material.verdict === "too_few" ? "weak" : "useful"), material.verdictWords),
      el("p", { class: "sentence" }, `${material.word}: ${material.nothing ? "none here" : massWords(material.totalKg) + " of " + material.material}.`),
      el("p", {}, material.why),
      el("table", {}, el("caption", {}, "Product as spread, per block hectare"), el("thead", {}, head), el("tbody", {}, body)),
      uniform ? el("p", {}, `One rate instead: ${uniform.rate}, ${uniform.total}${uniform.cost ? ", " + uniform.cost : ""}. With zones: ${massWords(material.totalKg)}${material.cost ? ", " + material.cost : ""}.`) : null,
      material.fromMemory ? el("p", {}, el("span", { class: "flag" }, "from memory, please check")) : null,
      el("details", {}, el("summary", {}, "Why these rates?"), el("ul", {}, material.reasons.map((r) => el("li", {}, r))), sourceList(material.sources)));
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
    if (asks.length) more.append(el("h2", {}, `${asks.length} open question${asks.length > 1 ? "s" : ""}`), el("ul", {}, asks.map(line)));
    if (data.cautions.length) more.append(el("h2", {}, "Mind"), el("ul", {}, data.cautions.map((c) => el("li", {}, c))));
    if (notes.length) more.append(el("details", {}, el("summary", {}, "What was met in the files"), el("ul", {}, notes.map(line))));
    const rows = data.properties.map((p) => el("tr", {}, el("td", {}, p.name), el("td", { class: "n" }, p.mean + (p.unit ? " " + p.unit : "")), el("td", {}, p.verdictWords)));
    more.append(el("details", {}, el("summary", {}, "Read as a table"), el("table", {}, el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "property"), el("th", { scope: "col", class: "n" }, "block mean"), el("th", { scope: "col" }, "map"))), el("tbody", {}, rows))));
  }

  // The grids are 16-bit steps; a click finds its cell by the fit that came with them.
  const unpacked = {};
  function valueAt(latlng, key) {
    const out = data.readOut;
    if (!out.grids || !out.grids[key]) return null;
    const [dx, dy] = [latlng.lng - out.middle[0], latlng.lat - out.middle[1]];
    const [column, row] = out.fit.map((f) => Math.floor(f[0] + f[1] * dx + f[2] * dy));
    if (row < 0 || column < 0 || row >= out.rows || column >= out.columns) return null;
    const read = (part) => {
      const id = key + part, grid = out.grids[key][part];
      if (!unpacked[id]) {
        const bytes = Uint8Array.from(atob(grid.data), (c) => c.charCodeAt(0));
        unpacked[id] = new Uint16Array(bytes.buffer);
      }
      const step = unpacked[id][row * out.columns + column];
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
