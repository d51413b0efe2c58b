"use strict";
// What a grower insists on: spots, areas kept off and the gate, put on the map or typed; then the
// block is planned again with them. Until that is asked for they live in this tab alone.
(() => {
  const w = data.wishes, map = document.querySelector(".spotroom > svg"), layer = map.querySelector(".wishmarks");
  const $ = (id) => document.getElementById(id);
  const form = $("wishform"), modes = [...document.querySelectorAll("[data-ask]")];
  const KEY = "wishes " + w.place, given = JSON.stringify(w.sent);
  const wish = remembered() || { fixed: w.sent.fixed || [], areas: w.sent.areas || [], gate: w.sent.gate || null };
  const STEP_M = 1, LONG_M = 10;
  const HOW = {
    fixed: "Click where a spot must be, one after the other.",
    area: "Click the corners of the area, one after the other around it.",
    gate: "Click where every day's walk begins and ends.",
  };
  const PUT = { fixed: "a spot", area: "a corner", gate: "the gate" };
  let mode = "", corners = [], cross = w.middle;

  // What was put on the map outlives a reload, as long as the plan it is for is the same.
  function remembered() {
    try {
      const kept = JSON.parse(sessionStorage.getItem(KEY));
      return kept && kept.given === given ? kept.wish : null;
    } catch { return null; }
  }
  function remember() {
    try { sessionStorage.setItem(KEY, JSON.stringify({ given, wish })); } catch { /* not remembered */ }
  }

  // Degrees to the map and back; over a block the two are straight into each other.
  function seen([lat, lon]) {
    const [y, x] = [lat - w.at[0], lon - w.at[1]], { east, north } = w;
    const whole = east[0] * north[1] - east[1] * north[0];
    const e = (y * north[1] - x * north[0]) / whole, n = (x * east[0] - y * east[1]) / whole;
    return [w.middle[0] + e * w.scale, w.middle[1] - n * w.scale];
  }
  function ground([x, y]) {
    const e = (x - w.middle[0]) / w.scale, n = (w.middle[1] - y) / w.scale;
    return [0, 1].map((i) => Number((w.at[i] + e * w.east[i] + n * w.north[i]).toFixed(7)));
  }
  function words([lat, lon]) { return `${lat.toFixed(5)}, ${lon.toFixed(5)}`.replace(/-/g, "\u2212"); }
  function path(ring) { return "M" + ring.map((place) => seen(place).map((v) => v.toFixed(1)).join(" ")).join("L") + "Z"; }

  function draw() {
    const marks = wish.areas.map((rings) => svg("path", { class: "keptoff", "fill-rule": "evenodd", d: rings.map(path).join("") }));
    for (const place of wish.fixed) marks.push(svg("circle", { class: "askedspot", cx: seen(place)[0], cy: seen(place)[1], r: 16 }));
    if (wish.gate) marks.push(svg("rect", { class: "askedgate", x: seen(wish.gate)[0] - 12, y: seen(wish.gate)[1] - 10, width: 24, height: 20, rx: 4 }));
    if (corners.length) marks.push(svg("path", { class: "keptoff drawing", d: path(corners) }));
    for (const place of corners) marks.push(svg("circle", { class: "askedcorner", cx: seen(place)[0], cy: seen(place)[1], r: 4 }));
    if (mode) marks.push(crossMark());
    layer.replaceChildren(...marks);
    list();
    remember();
  }

  // The cross does with the arrow keys what a click does.
  function crossMark() {
    const mark = svg("g", { class: "askcross", tabindex: 0, role: "button", transform: `translate(${cross[0]} ${cross[1]})`, "aria-label": `Cross at ${words(ground(cross))}. Arrow keys move it 1 metre, with Shift 10. Enter puts ${PUT[mode]} there.` },
      svg("circle", { r: 15 }), svg("path", { d: "M-15 0H-4M4 0H15M0-15V-4M0 4V15" }));
    mark.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      if (step) { const by = (event.shiftKey ? LONG_M : STEP_M) * w.scale; cross = cross.map((v, i) => v + by * step[i]); }
      else if (event.key === "Enter" || event.key === " ") put(ground(cross));
      else return;
      event.preventDefault();
      draw();
      (layer.querySelector(".askcross") || modes[0]).focus();
    });
    return mark;
  }

  function list() {
    const rows = [
      ...wish.fixed.map((place, i) => [`Spot at ${words(place)}`, () => wish.fixed.splice(i, 1)]),
      ...wish.areas.map((rings, i) => [`Kept off: ${areaWords(rings)}`, () => wish.areas.splice(i, 1)]),
      ...(wish.gate ? [[`Gate at ${words(wish.gate)}`, () => { wish.gate = null; }]] : []),
    ];
    fill($("asked"), rows.map(([name, away]) => el("li", {}, el("span", {}, name), el("button", { type: "button", class: "button", "aria-label": `Take out: ${name}`, onclick: () => { away(); draw(); $("askedhead").focus(); } }, "Take out"))));
    $("noneasked").hidden = rows.length > 0;
    $("askclose").disabled = corners.length < 3;
    $("askundo").disabled = !corners.length;
  }
  function areaWords(rings) {
    const halves = rings.map((ring) => ring.map(seen).reduce((sum, [x, y], i, all) => { const [u, v] = all[(i + 1) % all.length]; return sum + x * v - u * y; }, 0));
    const m2 = halves.reduce((sum, half, i) => sum + (i ? -1 : 1) * Math.abs(half) / 2, 0) / w.scale ** 2;
    return m2 < w.areaM2 / 10 ? `${Math.round(m2 * w.smallPerM2)} ${w.small}` : `${(m2 / w.areaM2).toFixed(2)} ${w.area}`;
  }

  function put(place) {
    if (mode === "fixed") wish.fixed.push(place);
    else if (mode === "gate") { wish.gate = place; set(""); }
    else corners.push(place);
    $("asksaid").textContent = "";
    draw();
  }
  function set(next) {
    mode = next;
    corners = [];
    map.classList.toggle("asking", Boolean(mode));
    for (const one of modes) one.setAttribute("aria-pressed", String(one.dataset.ask === mode));
    $("asking").hidden = !mode;
    $("askhow").textContent = mode ? `${HOW[mode]} Or move the cross with the arrow keys and press Enter, or type the place.` : "";
    $("askarea").hidden = mode !== "area";
    $("asksaid").textContent = "";
    draw();
  }

  for (const one of modes) one.addEventListener("click", () => { set(one.dataset.ask === mode ? "" : one.dataset.ask); if (mode) map.scrollIntoView({ block: "nearest" }); });
  map.addEventListener("click", (event) => {
    if (!mode) return;
    const p = new DOMPoint(event.clientX, event.clientY).matrixTransform(map.getScreenCTM().inverse());
    cross = [p.x, p.y];
    put(ground(cross));
  });
  const typed = lastOf();
  async function add() {
    const text = $("askplace").value;
    if (!text.trim()) { $("asksaid").textContent = "Type a latitude and a longitude, such as \u221233.9697, 19.9964."; return; }
    const wanted = mode, answer = await typed.ask(data.base + "/outline/place", { text });
    if (!answer || mode !== wanted) return;
    if (answer.error) { $("asksaid").textContent = answer.error; return; }
    put([answer.lat, answer.lon]);
    $("askplace").value = "";
    if (mode) $("askplace").focus();
  }
  $("askadd").addEventListener("click", add);
  $("askplace").addEventListener("keydown", (event) => { if (event.key === "Enter") { event.preventDefault(); add(); } });
  $("askclose").addEventListener("click", () => { wish.areas.push([corners]); set(""); $("askedhead").focus(); });
  $("askundo").addEventListener("click", () => { corners.pop(); draw(); });
  $("askleave").addEventListener("click", () => { const left = modes.find((one) => one.dataset.ask === mode); set(""); left?.focus(); });
  document.addEventListener("keydown", (event) => { if (event.key === "Escape" && mode) $("askleave").click(); });
  $("holdmoved")?.addEventListener("click", () => {
    for (const place of w.moved) if (!wish.fixed.some((one) => String(one) === String(place))) wish.fixed.push(place);
    draw();
    $("askedhead").focus();
  });

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (corners.length) { $("wishsaid").textContent = "Close the area that is being drawn, or undo its corners, first."; return; }
    const button = form.querySelector(".go");
    button.disabled = true;
    $("wishsaid").textContent = "working";
    const about = Object.fromEntries(new FormData(form));
    const answer = await ask(data.wishes.place + "/plan", { ...about, along_rows: Boolean(about.along_rows), ...wish });
    button.disabled = false;
    if (answer.ok) location.reload();
    else $("wishsaid").textContent = answer.error;
  });

  draw();
  if (w.alone) document.documentElement.dataset.ready = "true";
})();
