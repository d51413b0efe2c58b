"use strict";
// The map of one block: surfaces, zones, samples and what lies around them. Leaflet layers arrive
// from the map's own script, with a key each.
const frame = frameOf(data.outline.geometry);

function patch(content, style) {
  const node = svg("svg", { viewBox: "0 0 40 40", "aria-hidden": "true" });
  node.append(...content);
  node.append(svg("path", { d: frame.outline, fill: "none", stroke: "currentColor", "stroke-width": "1.4", "stroke-dasharray": { dashed: "4 2.5", dotted: "1 2.5" }[style] || "none", "fill-rule": "evenodd" }));
  return node;
}

// A lens as a small picture: its own image, or its place in the sprite that a server sends.
function miniature(one, lens) {
  const [[south, west], [north, east]] = lens.bounds;
  const [x, y] = frame.place([west, north]), [x2, y2] = frame.place([east, south]);
  const box = { x, y, width: x2 - x, height: y2 - y, preserveAspectRatio: "none", opacity: one.verdict === "weak" ? 0.55 : 1 };
  if (!data.app) return svg("image", { href: lens.picture, ...box });
  const column = data.properties.indexOf(one), row = ["found", "chance", "sure"].indexOf(lens.key);
  return svg("svg", { ...box, viewBox: `${column * 80 + 1} ${row * 80 + 1} 78 78` },
    svg("image", { href: data.app.place + "/strip.png", width: data.properties.length * 80, height: 240 }));
}

function propertyPatch(one, lens = one.lenses[0]) {
  if (one.verdict === "none" && lens.key === "found") {
    const [x, y] = data.inside ? frame.place([data.inside[1], data.inside[0]]) : [20, 20];
    return patch([svg("path", { d: frame.outline, fill: middleColor(one), "fill-rule": "evenodd" }), svg("path", { d: `M${x - 6} ${y}h12`, stroke: "#14262b", "stroke-width": "2" })], "solid");
  }
  return patch([miniature(one, lens)], one.verdict === "weak" ? "dashed" : "solid");
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

function drawClasses(lens) {
  const box = el("div", { class: "classes" });
  lens.legend.forEach((c) => {
    const bar = el("i", {});
    bar.style.background = c.color;
    box.append(el("span", {}, el("span", { class: "word" + (c.target ? " target" : "") }, c.target ? "target" : c.words || "\u00a0"), bar, el("span", { class: "from" }, c.from || "\u00a0")));
  });
  fill(document.querySelector(".legend"), box, lens.legendUnit ? el("div", { class: "quiet" }, lens.legendUnit) : null);
}

function drawZoneKey(material) {
  const key = el("div", { class: "zonekey" });
  for (const zone of material.zones) {
    const stitch = stitchOf(material, zone);
    const swatch = svg("svg", { viewBox: "0 0 34 22", "aria-hidden": "true" }, svg("rect", { x: 1, y: 1, width: 32, height: 20, rx: 5, fill: zone.fill, stroke: "#14262b" }));
    if (stitch) swatch.append(svg("rect", { x: 1, y: 1, width: 32, height: 20, rx: 5, fill: `url(#stitch-${stitch})` }));
    key.append(el("span", {}, swatch, `${zone.id}: ${zone.rate}`));
  }
  document.querySelector(".legend").replaceChildren(key);
}

window.quilt = (() => {
  const layers = {};
  let map = null, shown = [], ring = null, chosen = null, traced = [];

  function layer(key, one, itsMap) {
    layers[key] = one;
    map = itsMap;
    // The map's script puts each layer on the map only after this call: wait for its end.
    if (key === "outline") setTimeout(start);
  }

  function clear() { for (const one of shown) map.removeLayer(one); shown = []; }
  function add(one) { one.addTo(map); shown.push(one); return one; }
  function ghost(options) { return { interactive: false, ...options }; }

  function around() {
    const around = data.furniture;
    if (!around) return;
    add(L.geoJSON(around.rows, ghost({ style: { color: "#14262b", weight: 0.6, opacity: 0.2, interactive: false } })));
    add(L.geoJSON(around.water, ghost({ style: { color: token("--water"), weight: 0.9, interactive: false } })));
  }

  function inSun() { return document.documentElement.dataset.light === "sun"; }

  function showPicture(one, lens) {
    clear();
    const overlay = layers[`picture:${one.key}:${lens.key}`];
    // Data colours are the same on every ground: a weak map is told by its dashed outline.
    overlay.setUrl(lens.picture + (data.app && inSun() ? "?light=sun" : ""));
    add(overlay);
    layers.outline.setStyle({ dashArray: one.verdict === "weak" ? "8 6" : null });
    around();
    for (const label of lens.labels || []) {
      add(L.marker([label.lat, label.lon], ghost({ keyboard: false, icon: L.divIcon({ html: el("span", { class: "level" }, label.text), className: "", iconSize: [34, 18] }) })));
    }
    addSamples(one);
    layers.outline.bringToFront();
  }

  function showZones(material) {
    clear();
    layers.outline.setStyle({ dashArray: null });
    for (const zone of material.zones) {
      const fades = chosen !== null && chosen !== zone.id;
      const stitch = stitchOf(material, zone);
      add(L.geoJSON(zone.outline, { style: { stroke: false, fillColor: zone.fill, fillOpacity: fades ? 0.4 : 1 } }));
      if (stitch) {
        add(L.geoJSON(zone.outline, { style: { stroke: false, fillOpacity: fades ? 0.35 : 1, className: "stitched-" + stitch }, onEachFeature: (f, l) => l.on("add", () => l.getElement().setAttribute("fill", `url(#stitch-${stitch})`)) }));
      }
    }
    for (const zone of material.zones) {
      add(L.geoJSON(zone.outline, ghost({ style: { color: "#fdfdfa", weight: 3.6, fill: false, interactive: false } })));
      add(L.geoJSON(zone.outline, ghost({ style: { color: "#14262b", weight: 1.5, fill: false, interactive: false } })));
    }
    around();
    addSamples(null);
    layers.outline.bringToFront();
    for (const zone of material.zones) {
      if (zone.id === chosen) {
        add(L.geoJSON(zone.outline, ghost({ style: { color: token("--case"), weight: 7, fill: false, interactive: false } })));
        add(L.geoJSON(zone.outline, ghost({ style: { color: token("--thread"), weight: 3, fill: false, interactive: false } })));
      }
      for (const place of zone.labels) {
        const disc = el("span", { class: "disc" }, String(zone.id));
        add(L.marker(place, { interactive: false, keyboard: false, icon: L.divIcon({ html: disc, className: "", iconSize: [26, 26] }) }));
      }
    }
  }

  function choose(zone) { chosen = zone; }

  function addSamples(one) {
    // What is worked out from other values has no cell of its own in the laboratory's file.
    const measured = one && data.samples.some((sample) => sample.values[one.key]);
    const larger = inSun() ? 1.4 : 1;
    for (const sample of data.samples) {
      const cell = one && sample.values[one.key];
      const open = cell && cell.open;
      add(L.circleMarker([sample.lat, sample.lon], { radius: (open ? 6 : 3.6) * larger, color: open ? token("--thread") : "#14262b", weight: open ? 3 : 1.8, fill: true, fillColor: "#fff", fillOpacity: measured && !cell ? 0 : 1, dashArray: measured && !cell ? "1 3" : null }))
        .on("click", (event) => { L.DomEvent.stop(event); page.spot(event.latlng, sample); });
    }
  }

  function mark(latlng) {
    if (ring) for (const one of ring) map.removeLayer(one);
    ring = [L.circleMarker(latlng, ghost({ radius: 11, weight: 6, color: token("--case"), fill: false })), L.circleMarker(latlng, ghost({ radius: 11, weight: 2.8, color: token("--thread"), fill: false }))];
    for (const one of ring) one.addTo(map);
  }

  // The cross-hair of the keyboard: arrows 10 px, with Shift 50, Enter speaks the values there.
  function crosshair(container) {
    const cross = el("div", { class: "crosshair", "aria-hidden": "true" });
    let at = null;
    container.setAttribute("tabindex", "0");
    container.setAttribute("role", "application");
    container.setAttribute("aria-label", "Map. Arrow keys move the cross-hair, Enter reads all values there.");
    container.addEventListener("keydown", (event) => {
      const by = event.shiftKey ? 50 : 10;
      const move = { ArrowLeft: [-by, 0], ArrowRight: [by, 0], ArrowUp: [0, -by], ArrowDown: [0, by] }[event.key];
      const size = map.getSize();
      if (!at) at = { x: size.x / 2, y: size.y / 2 };
      if (move) {
        at = { x: Math.min(size.x, Math.max(0, at.x + move[0])), y: Math.min(size.y, Math.max(0, at.y + move[1])) };
        cross.style.translate = `${at.x}px ${at.y}px`;
        if (!cross.isConnected) container.append(cross);
        event.preventDefault();
      } else if (event.key === "Enter") {
        page.spot(map.containerPointToLatLng([at.x, at.y]), null);
        event.preventDefault();
      }
    });
    container.addEventListener("blur", () => cross.remove());
  }

  function start() {
    layGround(map);
    for (const [key, one] of Object.entries(layers)) if (key !== "outline") map.removeLayer(one);
    layers.outline.setStyle({ color: token("--ink"), weight: 2, fill: false, interactive: false });
    whole();
    if (data.furniture) crossLayer(data.furniture.crosses).addTo(map);
    const scale = el("div", { class: "scale" });
    document.querySelector(".furniture .north").before(scale);
    map.on("zoomend moveend", () => drawScale(map, scale));
    drawScale(map, scale);
    map.keyboard.disable();
    map.on("click", (event) => page.spot(event.latlng, null));
    crosshair(map.getContainer());
    const refit = () => { map.invalidateSize({ animate: false }); whole(); };
    new ResizeObserver(refit).observe(map.getContainer());
    // Paper is white and has a width of its own: the map takes both before it is laid out there.
    const root = document.documentElement;
    let light = root.dataset.light;
    addEventListener("beforeprint", () => { light = root.dataset.light; root.dataset.light = "day"; root.classList.add("onpaper"); refit(); dispatchEvent(new Event("lightchange")); });
    addEventListener("afterprint", () => { root.dataset.light = light; root.classList.remove("onpaper"); refit(); dispatchEvent(new Event("lightchange")); });
    const zoom = el("div", { class: "zoom", role: "group", "aria-label": "Zoom" },
      el("button", { type: "button", "aria-label": "Closer", onclick: () => map.zoomIn() }, "+"),
      el("button", { type: "button", "aria-label": "Further", onclick: () => map.zoomOut() }, "\u2212"),
      el("button", { type: "button", "aria-label": "Whole block", onclick: whole }, "\u26F6"));
    (document.querySelector("main.ground") || document.querySelector(".ground")).append(zoom);
    addEventListener("lightchange", () => { layers.outline.setStyle({ color: token("--ink") }); page.redraw?.(); });
    page.open();
    whole();
  }

  // The block clear of the legend and the scale that lie over the foot of the map.
  function whole() {
    const ground = map.getContainer().getBoundingClientRect();
    if (ground.width < 120 || ground.height < 120) return; // hidden, or being laid out: no room to fit
    const words = document.querySelector(".furniture")?.getBoundingClientRect();
    const covered = words && words.height ? Math.max(0, Math.min(ground.bottom - words.top, ground.height / 3)) : 0;
    map.fitBounds(frame.bounds, { paddingTopLeft: [26, 18], paddingBottomRight: [ground.width < 600 ? 52 : 26, 14 + covered], animate: false });
  }

  // Lines that a person draws, as latitude and longitude, over everything else.
  function trace(lines) {
    for (const one of traced) map.removeLayer(one);
    traced = lines.filter((line) => line.length).flatMap((line) => [
      L.polyline(line, ghost({ color: token("--case"), weight: 7 })), L.polyline(line, ghost({ color: token("--thread"), weight: 3 })),
      ...line.map((place) => L.circleMarker(place, ghost({ radius: 4, weight: 2, color: token("--thread"), fillColor: "#fff", fillOpacity: 1 })))]);
    for (const one of traced) one.addTo(map);
  }
  return { layer, showPicture, showZones, mark, choose, trace };
})();
