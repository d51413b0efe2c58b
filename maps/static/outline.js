"use strict";
// An outline drawn on the map: clicked, dragged or typed. The server measures, checks and, once it
// is told to, stores; what is shown while a corner moves is reckoned here.
(() => {
  const $ = (id) => document.getElementById(id);
  const box = $("map"), editing = Boolean(data.slug);
  const STEP_M = 1, LONG_M = 10, MOST_SHOWN = 200, NEAR_PX = 12, ROOM_PX = 64;
  const checks = lastOf();
  const APART_PX = matchMedia("(max-width: 719px)").matches ? 37 : 27;
  let rings = ringsOf(data.drawing), clicking = editing ? -1 : 0, chosen = null;
  let history = [], lastKey = "", timer = 0, sound = false, place = null;

  function ringsOf(drawing) {
    return [...drawing.pieces.map((c) => ({ kind: "piece", corners: c.map((p) => [...p]) })), ...drawing.holes.map((c) => ({ kind: "hole", corners: c.map((p) => [...p]) }))];
  }
  const copy = () => rings.map((r) => ({ kind: r.kind, corners: r.corners.map((p) => [...p]) }));
  const latlng = ([lon, lat]) => [lat, lon];
  const words = ([lon, lat]) => `${lat.toFixed(6)}, ${lon.toFixed(6)}`;
  const rounded = (lon, lat) => [Math.round(lon * 1e8) / 1e8, Math.round(lat * 1e8) / 1e8];
  const ringName = (i) => {
    const kind = rings[i].kind, same = rings.filter((r) => r.kind === kind), number = same.indexOf(rings[i]) + 1;
    return kind === "hole" ? `hole ${number}` : same.length > 1 ? `piece ${number}` : "the outline";
  };

  // The farm's own units.
  const AC_HA = 0.40468564224, acres = data.units.area === "ac";
  function areaWords(ha) { const size = acres ? ha / AC_HA : ha; return `${size.toFixed(size < 0.1 ? 4 : 2)} ${data.units.area}`; }
  const hectares = () => rings.reduce((sum, r) => sum + (r.kind === "hole" ? -1 : 1) * ringHa(r.corners), 0);

  // The map
  let fillOpacity = 0.75;
  const map = L.map(box, { zoomControl: false, attributionControl: false, zoomSnap: 0.25, zoomAnimation: false, fadeAnimation: false, markerZoomAnimation: false, inertia: false, maxZoom: 23, doubleClickZoom: false, center: [0, 0], zoom: 3 });
  const crosses = [];
  const seeThrough = (ground) => { if (layGround(map, ground)) fillOpacity = 0.15; };
  seeThrough();
  const ring = (style) => ({ interactive: false, weight: 2, color: token("--ink"), ...style });
  for (const other of data.others) {
    L.geoJSON(other.outline, { interactive: false, style: ring({ weight: 1.5, fillColor: token("--sheet"), fillOpacity: fillOpacity < 0.5 ? 0.25 : 0.5, dashArray: "2 4" }) }).addTo(map);
    L.geoJSON(other.rows, { interactive: false, style: { color: "#14262b", weight: 0.6, opacity: 0.2, interactive: false } }).addTo(map);
    const corner = L.geoJSON(other.outline).getBounds().getNorthWest();
    L.marker(corner, { interactive: false, keyboard: false, icon: L.divIcon({ html: el("div", { class: "blocklabel" }, other.name), className: "", iconSize: [0, 0], iconAnchor: [0, 26] }) }).addTo(map);
  }
  map.createPane("samples").style.zIndex = 450;
  map.getPane("samples").style.pointerEvents = "none";
  for (const at of data.samples) L.circleMarker(at, { pane: "samples", radius: 2.6, color: "#14262b", weight: 1.4, fill: true, fillColor: "#fff", fillOpacity: 1, interactive: false }).addTo(map);
  const shapes = L.layerGroup().addTo(map), handles = L.layerGroup().addTo(map), marks = L.layerGroup().addTo(map), mine = L.layerGroup().addTo(map);
  const scale = document.querySelector(".furniture .scale");
  let anchor = null, placed = false, crowded = 0;

  function layCrosses() {
    crosses.length = 0;
    if (!placed) return;
    const bounds = map.getBounds(), unit = degreeM(anchor[0]);
    const wide = (bounds.getEast() - bounds.getWest()) * unit.lon;
    const step = [10, 50, 250, 1000, 5000].find((s) => wide / s < 30);
    if (!step) return;
    const dlon = step / unit.lon, dlat = step / unit.lat;
    for (let x = Math.ceil((bounds.getWest() - anchor[1]) / dlon); anchor[1] + x * dlon < bounds.getEast(); x++) for (let y = Math.ceil((bounds.getSouth() - anchor[0]) / dlat); anchor[0] + y * dlat < bounds.getNorth(); y++) crosses.push([anchor[0] + y * dlat, anchor[1] + x * dlon]);
  }
  function known() {
    const all = rings.flatMap((r) => r.corners.map(latlng));
    if (all.length > 1) return L.latLngBounds(all);
    const around = L.latLngBounds([...all, ...data.samples]);
    for (const other of data.others) around.extend(L.geoJSON(other.outline).getBounds());
    const ground = JSON.parse(document.body.dataset.ground || "null");
    return around.isValid() || !ground?.bounds ? around : L.latLngBounds(ground.bounds);
  }
  function whole() {
    const bounds = known();
    if (!bounds.isValid()) return;
    settle(bounds.getCenter());
    map.fitBounds(bounds, { padding: [36, 36], maxZoom: 18, animate: false });
  }
  function settle(center) {
    anchor ||= [center.lat, center.lng];
    placed = true;
  }
  map.on("zoomend moveend resize", () => { layCrosses(); if (placed) drawScale(map, scale); drawHandles(); tell(); });
  crossLayer(crosses).addTo(map);

  // Drawing what is there
  function draw() {
    drawShapes();
    drawHandles();
    drawList();
    tell();
  }
  function drawShapes() {
    shapes.clearLayers();
    const holes = rings.filter((r) => r.kind === "hole" && r.corners.length > 2).map((r) => r.corners.map(latlng));
    for (const one of rings.filter((r) => r.kind === "piece" && r.corners.length)) {
      const open = rings.indexOf(one) === clicking;
      if (fillOpacity < 0.5) L.polygon([one.corners.map(latlng), ...holes], ring({ color: "#fff", weight: 5, fill: false })).addTo(shapes);
      L.polygon([one.corners.map(latlng), ...holes], ring({ fillColor: "#f4ecdd", fillOpacity, dashArray: open ? "6 5" : null })).addTo(shapes);
    }
    for (const one of rings.filter((r) => r.kind === "hole")) L.polygon(one.corners.map(latlng), ring({ fill: false, dashArray: rings.indexOf(one) === clicking ? "6 5" : null })).addTo(shapes);
  }
  function inView() {
    const bounds = map.getBounds().pad(0.05), found = [];
    rings.forEach((r, i) => r.corners.forEach((p, k) => { if (found.length < MOST_SHOWN && bounds.contains(latlng(p))) found.push([i, k]); }));
    return found;
  }
  function drawHandles() {
    const focus = document.activeElement?.closest?.("#map .corner") ? chosen : null;
    handles.clearLayers();
    if (!placed) return;
    const taken = [];
    const free = ([i, k]) => {
      const at = map.latLngToContainerPoint(latlng(rings[i].corners[k]));
      if (taken.some((p) => Math.abs(p.x - at.x) < APART_PX && Math.abs(p.y - at.y) < APART_PX)) return false;
      return taken.push(at);
    };
    // Corners that crowd are dots until one comes nearer; the chosen one always has its handle.
    const all = inView(), first = all.filter(([i, k]) => isChosen(i, k));
    first.forEach(free);
    crowded = 0;
    for (const [i, k] of all) {
      betweenHandle(i, k);
      if (isChosen(i, k) || free([i, k])) cornerHandle(i, k);
      else { crowded += 1; L.marker(latlng(rings[i].corners[k]), { interactive: false, keyboard: false, icon: L.divIcon({ className: "small", iconSize: null, html: "" }) }).addTo(handles); }
    }
    if (focus) focusCorner(focus);
  }
  const focusCorner = (at) => box.querySelector(`.corner[data-at="${at[0]}:${at[1]}"]`)?.focus({ preventScroll: true });
  function handle(at, name, label) {
    const marker = L.marker(latlng(at), { draggable: true, keyboard: true, autoPan: false, autoPanOnFocus: false, icon: L.divIcon({ className: name, iconSize: null, html: "" }) }).addTo(handles);
    marker.getElement().setAttribute("aria-label", label);
    return marker;
  }
  function cornerHandle(i, k) {
    const corners = rings[i].corners;
    const marker = handle(corners[k], "corner" + (isChosen(i, k) ? " chosen" : ""), `Corner ${k + 1} of ${corners.length} of ${ringName(i)}, ${words(corners[k])}. Arrow keys move it, Delete takes it out.`);
    const node = marker.getElement();
    node.dataset.at = `${i}:${k}`;
    node.addEventListener("focus", () => choose(i, k));
    node.addEventListener("keydown", (event) => pressed(event, i, k));
    marker.on("click", () => { if (i === clicking && k === 0 && corners.length > 2) finish(); else choose(i, k); });
    marker.on("dragstart", () => { keep(); choose(i, k); });
    marker.on("drag", () => { const at = marker.getLatLng(); corners[k] = rounded(at.lng, at.lat); drawShapes(); say(); });
    marker.on("dragend", () => { draw(); check(); });
  }
  function betweenHandle(i, k) {
    const corners = rings[i].corners;
    if (i === clicking || corners.length < 2) return;
    const a = corners[k], b = corners[(k + 1) % corners.length];
    if (map.latLngToContainerPoint(latlng(a)).distanceTo(map.latLngToContainerPoint(latlng(b))) < ROOM_PX) return;
    const middle = rounded((a[0] + b[0]) / 2, (a[1] + b[1]) / 2);
    const marker = handle(middle, "between", `New corner between corner ${k + 1} and ${(k + 1) % corners.length + 1} of ${ringName(i)}`);
    let dragged = false;
    marker.on("dragstart", () => { keep(); corners.splice(k + 1, 0, middle); dragged = true; });
    marker.on("drag", () => { const at = marker.getLatLng(); corners[k + 1] = rounded(at.lng, at.lat); drawShapes(); say(); });
    marker.on("dragend", () => { chosen = [i, k + 1]; draw(); check(); });
    marker.on("click", () => { if (!dragged) insert(i, k + 1, middle); });
    marker.getElement().addEventListener("keydown", (event) => { if (event.key === "Enter" || event.key === " ") { insert(i, k + 1, middle); event.preventDefault(); event.stopPropagation(); } });
  }
  const isChosen = (i, k) => chosen !== null && chosen[0] === i && chosen[1] === k;
  function choose(i, k) {
    chosen = [i, k];
    for (const node of box.querySelectorAll(".corner")) node.classList.toggle("chosen", node.dataset.at === `${i}:${k}`);
    for (const node of document.querySelectorAll(".cornerlist li")) node.classList.toggle("chosen", node.dataset.at === `${i}:${k}`);
    $("takeout").disabled = false;
  }

  // The list does by typing what the map does by pointing.
  function drawList() {
    const active = document.activeElement?.dataset?.row;
    fill($("corners"), rings.map((r, i) => r.corners.length || r.kind === "hole" ? [
      el("div", { class: "ringhead" }, el("span", {}, ringName(i).replace(/^the /, "").replace(/^./, (c) => c.toUpperCase()) + `, ${r.corners.length} corners`),
        r.kind === "hole" || rings.filter((o) => o.kind === "piece").length > 1 ? el("button", { type: "button", class: "button", onclick: () => drop(i) }, `Take ${ringName(i)} out`) : ""),
      el("ol", { class: "cornerlist", "aria-label": `Corners of ${ringName(i)}`, tabindex: r.corners.length > 7 ? "0" : null }, r.corners.slice(0, MOST_SHOWN).map((p, k) => row(i, k, p))),
      r.corners.length > MOST_SHOWN ? el("p", { class: "quiet" }, `The first ${MOST_SHOWN} of ${r.corners.length}. The others are on the map.`) : "",
    ] : []).flat());
    if (active) document.querySelector(`[data-row="${active}"]`)?.focus();
  }
  function row(i, k, p) {
    const name = `corner ${k + 1} of ${ringName(i)}`;
    return el("li", { "data-at": `${i}:${k}`, class: isChosen(i, k) ? "chosen" : null }, el("span", { class: "num" }, k + 1),
      el("input", { value: words(p), "aria-label": `Latitude and longitude of ${name}`, "data-row": `${i}:${k}`, onfocus: () => choose(i, k), onchange: (event) => retype(event.target, i, k), autocomplete: "off" }),
      el("button", { type: "button", class: "button", "aria-label": `Take ${name} out`, onclick: () => takeOut(i, k) }, "Out"));
  }
  async function read(text) {
    const answer = await ask(data.base + "/outline/place", { text });
    $("typedsaid").textContent = answer.error || "";
    return answer.error ? null : rounded(answer.lon, answer.lat);
  }
  async function retype(input, i, k) {
    const corner = rings[i].corners[k], at = await read(input.value);
    if (rings[i]?.corners[k] !== corner) return;
    if (!at) { input.setAttribute("aria-invalid", "true"); return; }
    change(() => { rings[i].corners[k] = at; });
  }

  // Moves; each can be taken back.
  function keep() {
    history.push({ rings: copy(), clicking });
    lastKey = "";
    $("undo").disabled = false;
  }
  function change(move) {
    keep();
    move();
    draw();
    check();
  }
  function add(lon, lat) {
    if (clicking < 0) { if (rings.every((r) => r.corners.length)) return; clicking = rings.findIndex((r) => !r.corners.length); }
    change(() => { rings[clicking].corners.push(rounded(lon, lat)); chosen = [clicking, rings[clicking].corners.length - 1]; });
    if (!placed || !map.getBounds().contains([lat, lon])) { settle({ lat, lng: lon }); map.setView([lat, lon], Math.max(17, map.getZoom()), { animate: false }); }
  }
  function insert(i, k, at) { change(() => { rings[i].corners.splice(k, 0, at); chosen = [i, k]; }); focusCorner([i, k]); }
  function takeOut(i, k) {
    change(() => { rings[i].corners.splice(k, 1); chosen = null; if (!rings[i].corners.length) { if (rings[i].kind === "piece" && rings.filter((r) => r.kind === "piece").length === 1) clicking = i; else remove(i); } });
    const next = Math.min(k, (rings[i]?.corners.length || 0) - 1);
    if (next >= 0) { chosen = [i, next]; choose(i, next); focusCorner(chosen); }
  }
  function remove(i) { rings.splice(i, 1); chosen = null; clicking = clicking === i ? -1 : clicking > i ? clicking - 1 : clicking; }
  function drop(i) { change(() => remove(i)); }
  function begin(kind) {
    keep();
    rings = rings.filter((r, i) => r.corners.length || i === 0);
    rings.push({ kind, corners: [] });
    clicking = rings.length - 1;
    chosen = null;
    draw();
    box.scrollIntoView({ block: "nearest" });
  }
  function finish() {
    rings = rings.filter((r, i) => r.corners.length || (r.kind === "piece" && rings.length === 1) || i === 0);
    clicking = -1;
    draw();
    check();
  }
  function back() {
    const before = history.pop();
    if (!before) return;
    ({ rings, clicking } = before);
    chosen = null;
    $("undo").disabled = !history.length;
    draw();
    check();
  }
  function pressed(event, i, k) {
    const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key];
    if (step) {
      const by = event.shiftKey ? LONG_M : STEP_M, [lon, lat] = rings[i].corners[k], unit = degreeM(lat);
      if (lastKey !== `${i}:${k}`) keep();
      lastKey = `${i}:${k}`;
      rings[i].corners[k] = rounded(lon + by * step[0] / unit.lon, lat + by * step[1] / unit.lat);
      draw();
      check();
    } else if (event.key === "Delete" || event.key === "Backspace") takeOut(i, k);
    else return;
    event.preventDefault();
    event.stopPropagation();
  }

  // What is said
  function say() {
    const size = hectares();
    $("ha").textContent = size > 0 ? areaWords(size) : "No outline yet";
  }
  function tell() {
    const now = rings[clicking], count = now ? now.corners.length : 0;
    box.classList.toggle("clicking", clicking >= 0 && placed);
    $("nowhere").hidden = placed;
    $("takeout").disabled = !chosen;
    $("middle").hidden = !(clicking >= 0 && placed);
    $("done").hidden = clicking < 0 || count < 3;
    $("hole").hidden = $("piece").hidden = clicking >= 0 || hectares() <= 0;
    const what = now?.kind === "hole" ? "the hole" : "the block";
    const how = clicking < 0 ? "Drag a corner. Drag a dot between two to make a new corner." + (crowded ? " Come nearer for those that crowd." : "")
      : !placed ? "Where is the block? Type its first corner, as a phone's map shows it."
      : !count ? `Click the first corner of ${what} on the map.`
      : count < 3 ? `Click the next corner of ${what}.`
      : "Go on round, corner by corner. It closes by itself.";
    if ($("how").textContent !== how) $("how").textContent = how; // a live region: once is enough
    say();
  }
  function body() {
    const about = Object.fromEntries(new FormData($("about")));
    const of = (kind) => rings.filter((r) => r.kind === kind).map((r) => r.corners);
    return { ...about, slug: data.slug, pieces: of("piece"), holes: of("hole") };
  }
  function check() {
    sound = false;
    $("store").disabled = true;
    clearTimeout(timer);
    checks.drop();
    timer = setTimeout(checked, 150);
  }
  async function checked() {
    if (!rings.some((r) => r.kind === "piece" && r.corners.length > 2)) { show({ refused: "", notes: [], lacks: "", facts: "" }); return; }
    const answer = await checks.ask(data.base + "/outline/check", body());
    if (answer) show(answer);
  }
  function show(answer) {
    const refused = answer.error || answer.refused || "";
    $("refused").hidden = !refused;
    $("refused").textContent = refused;
    $("facts").textContent = answer.facts || "";
    marks.clearLayers();
    if (answer.place) L.marker(latlng(answer.place), { interactive: false, keyboard: false, icon: L.divIcon({ className: "crossing", iconSize: null, html: "" }) }).addTo(marks);
    fill($("notes"), (answer.notes || []).map((line) => el("li", {}, line)));
    $("lacks").textContent = refused ? "" : answer.lacks || "";
    if (answer.ha !== undefined) { $("ha").textContent = areaWords(answer.ha); $("ha").dataset.ha = answer.ha; $("ha").dataset.here = hectares(); }
    sound = !refused && answer.ha !== undefined && !answer.lacks;
    $("store").disabled = !sound;
  }

  // I am here
  function shownHere(at, accuracy) {
    place = at;
    mine.clearLayers();
    L.circle(latlng(at), { radius: accuracy, interactive: false, color: token("--ink"), weight: 1.5, dashArray: "3 4", fillColor: token("--thread"), fillOpacity: 0.08, className: "accuracy" }).addTo(mine);
    L.marker(latlng(at), { interactive: false, keyboard: false, icon: L.divIcon({ className: "me", iconSize: null, html: "" }) }).addTo(mine);
    settle({ lat: at[1], lng: at[0] });
    const around = L.latLng(latlng(at)).toBounds(Math.max(4 * accuracy, 200));
    if (!map.getBounds().contains(latlng(at)) || map.getZoom() < 14) map.fitBounds(around, { animate: false });
    tell();
  }
  iAmHere(shownHere);
  $("herecorner").addEventListener("click", () => {
    if (clicking < 0) insertNear(place);
    else add(...place);
  });
  // A closed ring takes a further corner into its nearest edge.
  function insertNear(at) {
    const p = map.latLngToLayerPoint(latlng(at));
    let best = null;
    rings.forEach((r, i) => r.corners.forEach((a, k) => {
      const b = r.corners[(k + 1) % r.corners.length];
      const off = L.LineUtil.pointToSegmentDistance(p, map.latLngToLayerPoint(latlng(a)), map.latLngToLayerPoint(latlng(b)));
      if (!best || off < best.off) best = { off, i, k };
    }));
    if (best) insert(best.i, best.k + 1, rounded(...at));
  }

  // A picture under the map; the drawing stays as it is meanwhile.
  $("picture").addEventListener("change", async () => {
    if (!$("picture").files.length) return;
    const form = new FormData($("groundform"));
    $("groundsaid").textContent = "Laying it under the map";
    const answer = await ask(data.base + "/ground", form);
    $("picture").value = "";
    $("groundsaid").textContent = answer.said || answer.error;
    if (!answer.ground) return;
    seeThrough(answer.ground);
    if (!placed) { const bounds = L.latLngBounds(answer.ground.bounds); settle(bounds.getCenter()); map.fitBounds(bounds, { animate: false }); }
    draw();
  });

  map.on("click", (event) => {
    if (clicking < 0 || !placed) return;
    const first = rings[clicking].corners[0];
    if (rings[clicking].corners.length > 2 && map.latLngToContainerPoint(latlng(first)).distanceTo(event.containerPoint) < NEAR_PX) finish();
    else add(event.latlng.lng, event.latlng.lat);
  });
  $("middle").addEventListener("click", () => { const at = map.getCenter(); add(at.lng, at.lat); });
  $("done").addEventListener("click", finish);
  $("undo").addEventListener("click", back);
  $("takeout").addEventListener("click", () => { if (chosen) takeOut(...chosen); });
  $("hole").addEventListener("click", () => begin("hole"));
  $("piece").addEventListener("click", () => begin("piece"));
  $("nearer").addEventListener("click", () => map.zoomIn(1, { animate: false }));
  $("farther").addEventListener("click", () => map.zoomOut(1, { animate: false }));
  $("whole").addEventListener("click", whole);
  const addTyped = async () => {
    const at = await read($("typed").value);
    if (!at) return;
    $("typed").value = "";
    if (clicking < 0) insertNear(at);
    else add(...at);
    $("typed").focus();
  };
  $("addtyped").addEventListener("click", addTyped);
  $("typed").addEventListener("keydown", (event) => { if (event.key === "Enter") { event.preventDefault(); addTyped(); } });
  $("longest")?.addEventListener("click", () => {
    const degrees = longestSide(rings.filter((r) => r.kind === "piece").map((r) => r.corners));
    if (degrees !== null) $("azimuth").value = degrees.toFixed(1);
  });
  $("about").addEventListener("input", check);
  $("about").addEventListener("submit", async (event) => {
    event.preventDefault();
    if (!sound) return;
    $("store").disabled = true;
    const answer = await ask(data.base + "/outline/store", body());
    if (answer.said) location.href = data.base + "/";
    else { $("store").disabled = false; $("lacks").textContent = answer.error || answer.refused; }
  });
  for (const button of document.querySelectorAll("[data-earlier]")) button.addEventListener("click", () => { change(() => { rings = ringsOf(data.earlier[Number(button.dataset.earlier)]); clicking = -1; chosen = null; }); whole(); });
  addEventListener("keydown", (event) => { if ((event.ctrlKey || event.metaKey) && event.key === "z" && !event.target.closest("input, textarea")) { back(); event.preventDefault(); } });
  addEventListener("lightchange", draw);
  map.scrollWheelZoom.disable();
  new ResizeObserver(() => map.invalidateSize({ animate: false })).observe(box);

  whole();
  draw();
  check();
  document.documentElement.dataset.ready = "true";
})();
