"use strict";
// The farm map: every block with the shown property, its name, and a way to its page.
window.quilt = (() => {
  const layers = {};
  let map = null;

  function layer(key, one, itsMap) {
    layers[key] = one;
    map = itsMap;
    if (key === "outline") setTimeout(start);
  }

  function start() {
    const bounds = L.latLngBounds([]), bare = layGround(map) ? 0.2 : 1;
    colour();
    for (const block of data.blocks) {
      const outline = layers["block:" + block.id];
      outline.setStyle({ color: token("--ink"), weight: 2, fillColor: block.picture ? "#ffffff" : token("--sheet"), fillOpacity: block.picture ? 0 : bare });
      bounds.extend(outline.getBounds());
      L.geoJSON(block.rows, { interactive: false, style: { color: "#14262b", weight: 0.6, opacity: 0.2, interactive: false } }).addTo(map);
      L.geoJSON(block.water, { interactive: false, style: { color: token("--water"), weight: 0.9, interactive: false } }).addTo(map);
      for (const place of block.samples) L.circleMarker(place, { radius: 2.6, color: "#14262b", weight: 1.4, fill: true, fillColor: "#fff", fillOpacity: 1, interactive: false }).addTo(map);
      const label = el("div", { class: "blocklabel" }, block.name, el("small", {}, block.facts));
      L.marker(block.label, { interactive: false, keyboard: false, icon: L.divIcon({ html: label, className: "", iconSize: [0, 0], iconAnchor: [0, 44] }) }).addTo(map);
      if (block.url) outline.on("click", () => { location.href = block.url; });
    }
    const furniture = document.querySelector(".furniture"), scale = el("div", { class: "scale" });
    drawLegend();
    furniture.querySelector(".north").before(scale);
    // As large as can be with no block under the legend. Hidden, as on paper, there is no size.
    const whole = () => {
      if (map.getSize().x < 80 || map.getSize().y < 90) return;
      for (const foot of [26, furniture.offsetHeight + 12]) {
        map.fitBounds(bounds, { paddingTopLeft: [30, 54], paddingBottomRight: [40, foot], animate: false });
        if (!covered(furniture)) return;
      }
    };
    map.on("moveend", keepLabels);
    map.on("zoomend moveend", () => drawScale(map, scale));
    whole();
    crossLayer(data.crosses).addTo(map);
    map.scrollWheelZoom.disable();
    new ResizeObserver(() => { map.invalidateSize(); whole(); }).observe(map.getContainer());
    map.getContainer().setAttribute("role", "group");
    map.getContainer().setAttribute("aria-label", "Blocks: " + data.blocks.map((b) => b.name).join(", "));
    addEventListener("lightchange", () => { colour(); for (const b of data.blocks) layers["block:" + b.id].setStyle({ color: token("--ink") }); });
    document.documentElement.dataset.ready = "true";
  }

  function covered(furniture) {
    const over = [...furniture.children].map((one) => one.getBoundingClientRect());
    const corner = map.getContainer().getBoundingClientRect();
    return data.blocks.some((block) => {
      const box = layers["block:" + block.id].getBounds();
      const [a, b] = [box.getNorthWest(), box.getSouthEast()].map((place) => map.latLngToContainerPoint(place).add([corner.left, corner.top]));
      return over.some((one) => one.width && a.x < one.right && b.x > one.left && a.y < one.bottom && b.y > one.top);
    });
  }

  // In the sun the classes are flat.
  function colour() {
    const sun = document.documentElement.dataset.light === "sun" ? "?light=sun" : "";
    for (const block of data.blocks) if (block.picture) layers["picture:" + block.id].setUrl(block.picture + sun);
  }

  // A label that would run out of the map at its right is drawn back.
  function keepLabels() {
    const end = map.getContainer().getBoundingClientRect().right - 8;
    for (const label of map.getContainer().querySelectorAll(".blocklabel")) {
      label.style.translate = "";
      const over = label.getBoundingClientRect().right - end;
      if (over > 0) label.style.translate = `${-over}px`;
    }
  }

  function drawLegend() {
    if (!data.legend.length) return;
    const box = el("div", { class: "classes" });
    for (const c of data.legend) {
      const bar = el("i", {});
      bar.style.background = c.color;
      box.append(el("span", {}, el("span", { class: "word" + (c.target ? " target" : "") }, c.target ? "target" : c.words || "\u00a0"), bar, el("span", { class: "from" }, c.from || "\u00a0")));
    }
    document.querySelector(".legend").append(box);
  }
  return { layer };
})();
