"use strict";
// Small parts of every page. What a page shows is data; names and sentences reach it through
// textContent only.
const data = JSON.parse(document.getElementById("page-data").textContent);
const SVG = "http://www.w3.org/2000/svg";
const ZONE_STITCHES = { 0: [], 1: ["C"], 2: ["D", "B"], 3: ["D", "C", "B"], 4: ["D", "C", "B", "A"] };

function el(tag, attributes, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes || {})) {
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
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

function token(name) { return getComputedStyle(document.documentElement).getPropertyValue(name).trim(); }
function capital(name) { return name.startsWith("pH") ? name : name[0].toUpperCase() + name.slice(1); }
// The farm's own units; tons are of 2000 pounds.
const UNITS = data.units || { area: "ha", mass: "kg", length: "m" };
function massWords(kg) {
  const [mass, ton, tons] = UNITS.mass === "lb" ? [kg / 0.45359237, 2000, " tons"] : [kg, 1000, " t"];
  if (!kg) return "0";
  return mass >= ton ? (mass / ton).toFixed(1) + tons : Math.round(mass) + " " + UNITS.mass;
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

// A strip longer than its room gets arrows. They are for the pointer: the tab key reaches every
// patch by itself.
function watchStrip(strip) {
  const box = strip.parentElement, [before, after] = box.querySelectorAll(".slide");
  const look = () => {
    const left = strip.scrollLeft > 2, right = strip.scrollLeft + strip.clientWidth < strip.scrollWidth - 2;
    box.toggleAttribute("data-before", left);
    box.toggleAttribute("data-after", right);
    before.hidden = !left;
    after.hidden = !right;
  };
  before.onclick = () => strip.scrollBy({ left: -0.7 * strip.clientWidth });
  after.onclick = () => strip.scrollBy({ left: 0.7 * strip.clientWidth });
  strip.addEventListener("scroll", look);
  new ResizeObserver(look).observe(strip);
  look();
}

// A small drawing of a block, 40 px square.
function rings(geometry) {
  return geometry.type === "Polygon" ? geometry.coordinates : geometry.coordinates.flat();
}
// Whether a place lies in a shape: a ray to the west crosses its rings an odd number of times.
function holds(geometry, { lat, lng }) {
  let inside = false;
  for (const ring of rings(geometry)) {
    for (let i = 0, j = ring.length - 1; i < ring.length; j = i++) {
      const [x1, y1] = ring[i], [x2, y2] = ring[j];
      if ((y1 > lat) !== (y2 > lat) && lng < (x2 - x1) * (lat - y1) / (y2 - y1) + x1) inside = !inside;
    }
  }
  return inside;
}
function frameOf(geometry) {
  const points = rings(geometry).flat();
  const [west, east] = [Math.min(...points.map((p) => p[0])), Math.max(...points.map((p) => p[0]))];
  const [south, north] = [Math.min(...points.map((p) => p[1])), Math.max(...points.map((p) => p[1]))];
  const squeeze = Math.cos(((south + north) / 2) * Math.PI / 180);
  const size = Math.max((east - west) * squeeze, north - south);
  const dx = (36 - (east - west) * squeeze / size * 36) / 2, dy = (36 - (north - south) / size * 36) / 2;
  const place = ([lon, lat]) => [2 + dx + (lon - west) * squeeze / size * 36, 2 + dy + (north - lat) / size * 36];
  const path = (shape) => rings(shape).map((r) => "M" + r.map((p) => place(p).map((c) => c.toFixed(1)).join(" ")).join("L") + "Z").join("");
  return { place, path, outline: path(geometry), bounds: [[south, west], [north, east]] };
}

// Crosses on round metres stand on the ground, the same size at every zoom.
function crossLayer(places) {
  const Crosses = L.Layer.extend({
    onAdd(map) {
      this.map = map;
      this.node = svg("svg", { class: "crosses leaflet-zoom-hide", "aria-hidden": "true" }, svg("path", { fill: "none" }));
      map.getPane("tilePane").append(this.node);
      map.on("zoomend moveend resize viewreset", this.draw, this);
      this.draw();
    },
    onRemove(map) { this.node.remove(); map.off("zoomend moveend resize viewreset", this.draw, this); },
    draw() {
      const size = this.map.getSize(), corner = this.map.containerPointToLayerPoint([0, 0]);
      this.node.setAttribute("width", size.x);
      this.node.setAttribute("height", size.y);
      L.DomUtil.setPosition(this.node, corner);
      const d = places.map((p) => this.map.latLngToContainerPoint(p)).filter((p) => p.x > 0 && p.y > 0 && p.x < size.x && p.y < size.y)
        .map((p) => `M${p.x - 3} ${p.y}h6M${p.x} ${p.y - 3}v6`).join("");
      this.node.firstChild.setAttribute("d", d);
    },
  });
  return new Crosses();
}

// What a grower lays under the maps, and whose it is; false where there is nothing.
function layGround(map, ground = JSON.parse(document.body.dataset.ground || "null")) {
  if (!ground) return false;
  document.body.dataset.ground = JSON.stringify(ground);
  const pane = map.getPane("ground") || map.createPane("ground");
  pane.style.zIndex = 150;
  pane.style.pointerEvents = "none";
  pane.replaceChildren();
  if (ground.tiles) L.tileLayer(ground.tiles, { pane: "ground", maxNativeZoom: ground.mostZoom, maxZoom: 24, zIndex: 1 }).addTo(map);
  if (ground.url) L.imageOverlay(ground.url, ground.bounds, { pane: "ground", interactive: false, alt: "", zIndex: 2 }).addTo(map);
  map.getContainer().querySelector(".credit")?.remove();
  map.getContainer().append(el("p", { class: "credit" }, ground.credit));
  return true;
}

function drawScale(map, box) {
  const size = map.getSize(), a = map.containerPointToLatLng([0, size.y / 2]), b = map.containerPointToLatLng([100, size.y / 2]);
  stitchScale(map.distance(a, b) / 100, box);
}

// A scale of stitches, filled and hollow in turn, for so many metres a pixel.
function stitchScale(metres, box) {
  const each = metres / (UNITS.length === "ft" ? 0.3048 : 1);
  const step = [1, 2, 5, 10, 20, 25, 50, 100, 200, 250, 500, 1000, 2000].find((s) => s / each >= 56) || 5000;
  const width = step / each;
  const node = svg("svg", { width: width * 2 + 34, height: 30, role: "img", "aria-label": `Scale: the bar is ${2 * step} ${UNITS.length === "ft" ? "feet" : "metres"} long` });
  [0, 1, 2, 3].forEach((i) => node.append(svg("rect", { x: 8 + i * width / 2, y: 20, width: width / 2 - 2, height: 5, rx: 2.5, class: i % 2 ? "hollow" : "full" })));
  [[0, "0"], [width, String(step)], [2 * width, 2 * step + " " + UNITS.length]].forEach(([x, words]) => {
    const text = svg("text", { x: 8 + x, y: 13, "text-anchor": "middle" });
    text.textContent = words;
    node.append(text);
  });
  box.replaceChildren(node);
}

// Pictures are markup of our own made of numbers; their tables hold the names of samples as text.
function figures(title, charts) {
  if (!charts.length) return null;
  const drawn = charts.map((chart) => {
    const picture = document.importNode(new DOMParser().parseFromString(chart.svg, "image/svg+xml").documentElement, true);
    const [head, ...rows] = chart.table;
    const table = el("table", {}, el("thead", {}, el("tr", {}, head.map((w) => el("th", { scope: "col" }, w)))), el("tbody", {}, rows.map((row) => el("tr", {}, row.map((w) => el("td", {}, w))))));
    const heading = chart.question === title ? null : el("h2", {}, chart.question);
    return el("div", { class: "figure" }, heading, picture, chart.note ? el("p", { class: "quiet" }, chart.note) : null, el("details", {}, el("summary", {}, "The same as a table"), table));
  });
  return el("details", { class: "figures" }, el("summary", {}, title), drawn);
}
