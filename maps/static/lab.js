"use strict";
// The small map beside the findings: outlines, places, and where each finding lies.
(() => {
  const box = document.querySelector(".little");
  const points = data.points, shapes = data.blocks.map((b) => b.outline);
  const all = [...shapes.flatMap((g) => rings(g).flat()), ...points.map((p) => [p[2], p[1]])];
  if (!all.length) { box.hidden = true; return; }
  // Places far off (a swapped axis) must not shrink the farm to a dot.
  const home = shapes.length ? shapes.flatMap((g) => rings(g).flat()) : all;
  const west = Math.min(...home.map((p) => p[0])), east = Math.max(...home.map((p) => p[0]));
  const south = Math.min(...home.map((p) => p[1])), north = Math.max(...home.map((p) => p[1]));
  const squeeze = Math.cos(((south + north) / 2) * Math.PI / 180);
  const scale = Math.min(360 / (((east - west) * squeeze) || 1e-6), 250 / ((north - south) || 1e-6));
  const dx = (412 - (east - west) * squeeze * scale) / 2, dy = (310 - (north - south) * scale) / 2;
  const place = ([lon, lat]) => [dx + (lon - west) * squeeze * scale, dy + (north - lat) * scale];
  const node = svg("svg", { viewBox: "0 0 412 310", role: "img", "aria-label": `${shapes.length} blocks and ${points.length} places` });
  for (const { name, outline } of data.blocks) {
    const corners = rings(outline).map((r) => r.map(place));
    const d = corners.map((r) => "M" + r.map((p) => p.map((c) => c.toFixed(1)).join(" ")).join("L") + "Z").join("");
    node.append(svg("path", { d, fill: "var(--sheet)", stroke: "var(--ink)", "stroke-width": 1.8, "fill-rule": "evenodd" }));
    const label = svg("text", { x: Math.min(...corners.flat().map((p) => p[0])), y: Math.max(16, Math.min(...corners.flat().map((p) => p[1])) - 6), class: "placename" });
    label.textContent = name.length > 22 ? name.slice(0, 21) + "\u2026" : name;
    node.append(label);
  }
  const known = {}, seats = [];
  // A number stands beside its place, clear of the other numbers and, if there is room, of places.
  function seat([x, y]) {
    const near = [23, 34, 46].flatMap((away) => [-49, -131, 49, 131, 0, 180, -90, 90].map((turn) => turn * Math.PI / 180).map((turn) => [x + away * Math.cos(turn), y + away * Math.sin(turn)]))
      .filter((at) => at[0] > 14 && at[0] < 398 && at[1] > 14 && at[1] < 296);
    const clear = (at, others, far) => others.every((other) => Math.hypot(at[0] - other[0], at[1] - other[1]) >= far);
    const free = near.filter((at) => clear(at, seats, 26));
    const found = free.find((at) => clear(at, Object.values(known), 14)) || free[0] || near[0] || [x, y];
    seats.push(found);
    return found;
  }
  for (const [id, lat, lon] of points) {
    const [x, y] = place([lon, lat]);
    known[id] = [x, y];
    if (x < 0 || y < 0 || x > 412 || y > 310) continue;
    node.append(svg("circle", { cx: x, cy: y, r: 2.6, fill: "#fff", stroke: "#14262b", "stroke-width": 1.3 }));
  }
  for (const finding of document.querySelectorAll(".finding[data-samples]")) {
    const hit = JSON.parse(finding.dataset.samples).map((s) => known[s]).find(Boolean);
    if (!hit) continue;
    const asking = finding.classList.contains("asking");
    const [x, y] = seat(hit);
    node.append(svg("path", { d: `M${hit[0]} ${hit[1]}L${x} ${y}`, stroke: asking ? "var(--thread)" : "var(--ink)", "stroke-width": 1.4 }));
    node.append(svg("circle", { cx: x, cy: y, r: 11, fill: "var(--sheet)", stroke: asking ? "var(--thread)" : "var(--ink)", "stroke-width": asking ? 2.2 : 1.4 }));
    const text = svg("text", { x, y: y + 4.5, "text-anchor": "middle", fill: "var(--ink)", "font-size": 12.5, "font-weight": 600 });
    text.textContent = finding.dataset.number;
    node.append(text);
  }
  box.append(node);
})();
