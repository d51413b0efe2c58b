"use strict";
// Zones and rates of one block: what is asked for, what it costs, why, and what if.
const page = (() => {
  const say = document.querySelector(".say"), spotBox = document.querySelector(".spot");
  const follows = document.querySelector(".follows"), more = document.querySelector(".more");
  const strip = document.querySelector(".strip"), controls = document.querySelector("form.controls");
  const column = document.querySelector(".column"), body = document.querySelector(".body");
  const HELD = { held: "held", none_needed: "not needed", no_data: "no data", not_worthwhile: "not worthwhile" };
  const NO_LEAF = ["lime", "sulfur", "gypsum"]; // what no leaf test decides
  const tries = lastOf(), whys = lastOf(), readiness = lastOf();
  const getting = document.querySelector(".getting"), AGAIN_MS = 700;
  let stored = null, shown = null, bare = null, wish = {};

  function open() {
    drawStrip();
    watchStrip(strip);
    fromAddress();
    addEventListener("popstate", fromAddress);
    controls.addEventListener("change", tryIt);
    controls.addEventListener("submit", (event) => { event.preventDefault(); tryIt(); });
    document.addEventListener("keydown", (event) => { if (event.key === "Escape" && body.classList.contains("why-open")) closeWhy(); });
    if (!data.app.ready) followReady();
    document.documentElement.dataset.ready = "true";
  }

  // A block is worked out behind the page before its first try; a line says so for as long.
  async function followReady() {
    const told = await readiness.ask(data.app.place + "/ready");
    if (!told) return;
    getting.hidden = told.state !== "working";
    if (!getting.hidden) setTimeout(followReady, AGAIN_MS);
  }

  function fromAddress() {
    const asked = new URLSearchParams(location.search).get("spread") || data.opens;
    const material = data.materials.find((m) => m.amendment === asked) || data.materials[0];
    const held = data.held.find((h) => h.amendment === asked);
    if (held && !data.materials.some((m) => m.amendment === asked)) showHeld(held, false);
    else if (material) choose(material, false);
    else if (data.held.length) showHeld(data.held[0], false);
    else fill(say, el("p", { class: "sentence" }, "No rates were worked out for this block."));
    const why = location.hash.match(/^#why=([a-z]+):(\d+)$/);
    if (why && shown) askWhy(shown, Number(why[2]));
  }

  function drawStrip() {
    for (const material of data.materials) {
      const shapes = material.zones.map((zone) => svg("path", { d: frame.path(zone.outline), fill: zone.fill, "fill-rule": "evenodd" }));
      strip.append(el("button", { type: "button", "data-key": material.amendment, "aria-pressed": "false", onclick: () => choose(material, true) }, patch(shapes, "solid"), material.word, el("small", {}, material.nothing ? "none" : massWords(material.totalKg))));
    }
    for (const one of data.held) {
      const leaf = one.kind === "held" ? [svg("g", { transform: "translate(10 10)", fill: "none", stroke: "currentColor", "stroke-width": "1.6" }, ...ICONS[NO_LEAF.includes(one.amendment) ? "asks" : "held"].map((d) => svg("path", { d })))] : [];
      strip.append(el("button", { type: "button", "data-key": one.amendment, "aria-pressed": "false", onclick: () => showHeld(one, true) }, patch(leaf, one.kind === "no_data" ? "dotted" : "solid"), one.word, el("small", {}, HELD[one.kind] || one.kind)));
    }
  }

  function press(key, remember) {
    for (const button of strip.querySelectorAll("button")) button.setAttribute("aria-pressed", String(button.dataset.key === key));
    strip.querySelector("[aria-pressed=true]")?.scrollIntoView({ block: "nearest", inline: "nearest" });
    const address = `?spread=${key}`;
    if (remember && location.search !== address) history.pushState(null, "", address);
  }

  function choose(material, remember) {
    stored = material;
    forget();
    closeBack();
    press(material.amendment, remember);
    drawControls(material);
    closeWhy();
    show(material);
  }

  function radio(name, value, words, checked) {
    return el("label", {}, el("input", { type: "radio", name, value, ...(checked ? { checked: "" } : {}) }), words);
  }

  function drawControls(material) {
    controls.hidden = false;
    fill(controls,
      el("fieldset", {}, el("legend", {}, "Zones, at most"), el("div", { class: "radios" }, [1, 2, 3, 4].map((n) => radio("most_zones", n, String(n), n === 4)))),
      material.amendment === "lime" ? el("div", {}, el("label", { for: "target" }, "Bring pH to"), el("input", { id: "target", type: "number", name: "target_ph", min: 5, max: 7, step: 0.1, placeholder: "as set" })) : null,
      productChoice(material),
      el("div", {}, el("label", { for: "price" }, UNITS.mass === "lb" ? "Price per ton" : "Price per t"), el("input", { id: "price", type: "number", name: "price_per_t", min: 0, step: 1, placeholder: "as set" })),
      el("div", {}, el("label", { for: "width" }, `Swath, ${UNITS.length}`), el("input", { id: "width", type: "number", name: "width_m", min: 1, max: UNITS.length === "ft" ? 120 : 36, step: 0.1, placeholder: "as set" })));
  }

  // What can meet the need; the one in use is chosen and asks for nothing.
  function productChoice(material) {
    const offered = data.products[material.amendment] || [];
    if (offered.length < 2) return null;
    const options = offered.map((p) => {
      const used = p.key.replaceAll("_", " ") === material.material;
      return el("option", { value: used ? "" : p.key, ...(used ? { selected: "" } : {}) }, capital(p.words));
    });
    return el("div", {}, el("label", { for: "product" }, "Product"), el("select", { id: "product", name: "product" }, options));
  }

  // The farm's units as the server takes them: metres, and money for a tonne of 1000 kg.
  const TAKEN = { width_m: UNITS.length === "ft" ? 0.3048 : 1, price_per_t: UNITS.mass === "lb" ? 1000 / (2000 * 0.45359237) : 1 };

  function wished() {
    const found = { amendment: stored.amendment };
    for (const [name, value] of new FormData(controls)) if (value !== "" && !(name === "most_zones" && value === "4")) found[name] = name === "product" ? value : Number(value) * (TAKEN[name] || 1);
    const ratio = { little: [1, 2], balanced: [1, 1], much: [2, 1] }[document.querySelector("input[name=unsure]:checked")?.value];
    if (ratio) [found.little, found.much] = ratio;
    return found;
  }

  // Another material, or the stored one again: what was wished and not yet answered is off.
  function forget() {
    wish = {};
    tries.drop();
    whys.drop();
    working(false);
  }

  let slow = null;
  function working(is) {
    clearTimeout(slow);
    if (!is) { body.classList.remove("working"); return; }
    slow = setTimeout(() => body.classList.add("working"), 400);
    // What is wished and not yet seen is not kept.
    const go = follows.querySelector("button.go");
    if (go) go.disabled = true;
  }

  async function tryIt() {
    const next = wished();
    // A field that is left tells of the change that was already tried.
    if (JSON.stringify(next) === JSON.stringify(wish)) return;
    forget();
    if (Object.keys(next).length === 1) { show(stored); return; }
    wish = next;
    working(true);
    const found = await tries.ask(data.app.place + "/try", wish);
    if (!found) return;
    working(false);
    if (found.material) show(found.material);
    else fill(spotBox, el("p", { class: "notice", role: "alert" }, found.error || found.why));
  }

  function whisker(zone, most) {
    const x = (kg) => 4 + 84 * Math.min(1, kg / most);
    return svg("svg", { class: "whisk", viewBox: "0 0 92 14", "aria-hidden": "true" },
      svg("path", { d: "M2 7H90", stroke: "var(--hair)", "stroke-width": 2 }),
      svg("path", { d: `M${x(zone.lowKgHa)} 7H${x(zone.highKgHa)}`, stroke: "currentColor", "stroke-width": 2 }),
      svg("circle", { cx: x(zone.rateKgHa), cy: 7, r: 4.4, fill: zone.rateKgHa ? "currentColor" : "var(--sheet)", stroke: "currentColor", "stroke-width": 1.5 }));
  }

  function sentenceOf(material) {
    if (material.nothing) return `No ${material.word.toLowerCase()} here.`;
    const some = material.zones.filter((z) => z.kg > 0), none = material.zones.filter((z) => z.kg === 0);
    if (material.zones.length === 1) return `${material.word}: ${some[0].rate} over the whole block.`;
    const listed = (words) => words.length > 1 ? words.slice(0, -1).join(", ") + " and " + words.at(-1) : words[0];
    // Zones that lie on the same side share its name.
    const sides = [...new Set(some.map((z) => z.where))];
    const parts = sides.map((side) => `${listed(some.filter((z) => z.where === side).map((z) => z.rate))} in the ${side}`);
    return `${material.word}: ${listed(parts)}. ${none.length ? "Nothing on the rest." : ""}`;
  }

  function show(material) {
    shown = material;
    quilt.choose(null);
    quilt.showZones(material);
    drawZoneKey(material);
    const most = Math.max(...material.zones.map((z) => z.highKgHa), 1);
    const uniform = material.uniform, tried = material !== stored;
    const rows = material.zones.map((zone) => el("tr", {},
      el("td", {}, el("span", { class: "disc" }, String(zone.id))),
      el("td", { class: "n" }, zone.ha),
      el("td", { class: "n" }, tried ? el("b", {}, zone.rate) : el("button", { type: "button", class: "n", "aria-label": `${zone.rate} in zone ${zone.id}: why?`, onclick: () => askWhy(material, zone.id) }, zone.rate), zone.passes.length > 1 ? el("div", { class: "quiet" }, zone.passes.join(", then ")) : null),
      el("td", {}, whisker(zone, most), zone.range),
      el("td", { class: "n" }, massWords(zone.kg))));
    fill(say,
      el("p", { class: "verdict" }, icon(material.verdict === "one_rate" ? "none" : material.verdict === "too_few" ? "weak" : "useful"), material.verdictWords, tried ? el("span", { class: "flag" }, "tried, not kept") : null),
      tried && material.fewer ? el("p", { class: "quiet" }, material.fewer) : null,
      el("p", { class: "sentence fresh" }, sentenceOf(material)),
      el("p", { class: "quiet" }, material.why),
      el("div", { class: "fresh" }, el("table", {}, el("caption", {}, `${capital(material.material)}, product as spread`), el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "zone"), el("th", { scope: "col", class: "n" }, UNITS.area), el("th", { scope: "col", class: "n" }, "rate"), el("th", { scope: "col" }, "two in three"), el("th", { scope: "col", class: "n" }, "in all"))), el("tbody", {}, rows))),
      material.fromMemory ? el("p", {}, el("span", { class: "flag" }, "from memory, please check")) : null);
    fill(spotBox,
      uniform ? el("h2", {}, "What it costs") : null,
      uniform ? el("table", { class: "fresh" }, el("thead", {}, el("tr", {}, el("th", { scope: "col" }, ""), el("th", { scope: "col", class: "n" }, "zones"), el("th", { scope: "col", class: "n" }, `one rate, ${uniform.rate}`))), el("tbody", {},
        el("tr", {}, el("td", {}, "material, delivery, spreading"), el("td", { class: "n" }, el("b", {}, material.cost || "no price")), el("td", { class: "n" }, uniform.cost || "no price")),
        el("tr", {}, el("td", {}, "to spread"), el("td", { class: "n" }, el("b", {}, massWords(material.totalKg))), el("td", { class: "n" }, uniform.rate === "none" ? "0" : uniform.total)))) : null,
      material.trip ? el("p", { class: "notice" }, material.trip) : null);
    drawUnsure(material, tried);
    drawMore(material);
  }

  function drawUnsure(material, tried) {
    const chosen = document.querySelector("input[name=unsure]:checked")?.value || "set";
    const options = [["set", "as set"], ["little", "rather little"], ["balanced", "balanced"], ["much", "rather much"]];
    fill(follows,
      el("fieldset", {}, el("legend", {}, "When unsure, spread"), el("div", { class: "radios", onchange: tryIt }, options.map(([value, words]) => radio("unsure", value, words, tried ? value === chosen : value === "set")))),
      tried
        ? el("div", { class: "actions" }, el("button", { type: "button", class: "go", onclick: keep }, "Keep these"), el("button", { type: "button", class: "button", onclick: () => choose(stored, false) }, "Take that back"))
        : el("div", { class: "actions" }, el("a", { class: "go", href: data.app.place + "/spread" }, "Get the spreader files"), el("a", { class: "button", href: data.app.place + "/file/report.pdf" }, "Print for the shed")));
  }

  // It is kept whatever has been chosen since; then only the dark line tells of it.
  async function keep(event) {
    const kept = shown;
    event.currentTarget.disabled = true;
    const told = await ask(data.app.place + "/keep", wish);
    if (told.mark) { followReady(); offerBack(told.mark, kept.word); }
    if (shown !== kept || body.classList.contains("why-open")) {
      if (told.error) fill(spotBox, el("p", { class: "notice", role: "alert" }, `${kept.word}: ${told.error}`));
      return;
    }
    fill(follows, el("p", { class: "notice", role: "status" }, told.said || told.error), el("p", {}, el("a", { class: "link", href: farmPath("/") }, "To the farm, to make the maps anew")));
    if (told.mark) say.querySelector(".verdict .flag").textContent = "kept";
  }

  function farmPath(path) { return data.app.place.replace(/\/\d+\/[^/]+$/, "") + path; }

  // The dark line at the foot; it stays until it is used or another thing is chosen.
  function offerBack(mark, word) {
    const back = el("button", { type: "button", onclick: async () => {
      back.disabled = true;
      const told = await ask(data.app.place + "/keep/back", { mark });
      if (told.said) followReady();
      if (!line.isConnected && told.said) return;
      line.remove();
      if (told.said && stored) choose(stored, false);
      fill(spotBox, el("p", { class: "notice", role: told.said ? "status" : "alert" }, told.said || told.error));
    } }, "Take that back");
    const line = el("div", { class: "undo", role: "status" }, el("span", {}, `${word}: kept.`), back);
    closeBack();
    column.append(line);
    back.focus();
  }

  function closeBack() { document.querySelector(".undo")?.remove(); }

  function drawMore(material) {
    fill(more,
      figures("Do the zones differ?", material.charts),
      el("details", {}, el("summary", {}, "Why these rates?"), el("ul", {}, material.reasons.map((r) => el("li", {}, r))), sourceList(material.sources)),
      data.cautions.length ? el("details", {}, el("summary", {}, "Mind"), el("ul", {}, data.cautions.map((c) => el("li", {}, c)))) : null);
  }

  async function askWhy(material, zone) {
    const told = await whys.ask(`${data.app.place}/why/${material.amendment}/${zone}`);
    if (!told) return;
    if (!told.ok) { fill(spotBox, el("p", { class: "notice", role: "alert" }, told.error)); return; }
    history.replaceState(null, "", location.search + `#why=${material.amendment}:${zone}`);
    quilt.choose(zone);
    quilt.showZones(material);
    body.classList.add("why-open");
    const rate = material.zones.find((z) => z.id === zone);
    const close = el("button", { type: "button", class: "close", "aria-label": "Close", onclick: closeWhy }, "\u2715");
    const copy = el("button", { type: "button", class: "button", onclick: async () => { try { await navigator.clipboard.writeText([told.title, ...told.links].join("\n")); copy.textContent = "Copied"; } catch { copy.textContent = "Select and copy by hand"; } } }, "Copy the chain");
    fill(say, close, el("p", { class: "quiet" }, `${data.block}, zone ${zone}, ${material.material}`), el("h2", { tabindex: "-1", class: "whytitle" }, `Why ${rate.rate}?`),
      el("ol", { class: "chain" }, el("li", {}, told.title), told.links.filter((l) => !/^\[[A-Za-z]/.test(l)).map((l) => el("li", {}, l))),
      el("h2", {}, "Sources"), el("ul", { class: "quiet" }, told.links.filter((l) => /^\[[A-Za-z]/.test(l)).map((l) => el("li", {}, l))),
      el("div", { class: "actions" }, copy));
    spotBox.replaceChildren();
    follows.replaceChildren();
    more.replaceChildren();
    say.querySelector(".whytitle").focus();
  }

  function closeWhy() {
    if (!body.classList.contains("why-open")) return;
    body.classList.remove("why-open");
    history.replaceState(null, "", location.pathname + location.search);
    if (shown) show(shown);
  }

  function sourceList(keys) {
    return keys.length ? el("ul", { class: "quiet" }, keys.map((k) => el("li", {}, `${k}: ${data.sources[k] || ""}`))) : null;
  }

  function showHeld(one, remember) {
    press(one.amendment, remember);
    forget();
    closeBack();
    body.classList.remove("why-open");
    stored = shown = null;
    const byLeaf = !NO_LEAF.includes(one.amendment);
    controls.hidden = true;
    const whole = bare = { amendment: one.amendment, zones: [{ id: 0, kg: 0, rank: 0, fill: "#f4ecdd", rate: "none", labels: [], outline: data.outline.geometry }] };
    quilt.choose(null);
    quilt.showZones(whole);
    document.querySelector(".legend").replaceChildren();
    fill(say, el("p", { class: "verdict" }, icon(one.kind !== "held" ? "none" : byLeaf ? "held" : "asks"), `${one.word}: ${HELD[one.kind] || one.kind}`), el("p", { class: "sentence" }, one.reason.split(". ")[0].replace(/\.?$/, ".")), one.reason.includes(". ") ? el("p", {}, one.reason.slice(one.reason.indexOf(". ") + 2)) : null);
    const way = byLeaf ? [data.app.place + "/leaf", "Soil and leaf side by side"] : [farmPath("/settings"), "Say it under Settings"];
    fill(spotBox, one.kind === "held" ? el("p", {}, el("a", { class: "button", href: way[0] }, way[1])) : null);
    follows.replaceChildren();
    fill(more, one.sources.length ? el("details", {}, el("summary", {}, "Sources"), sourceList(one.sources)) : null);
  }

  // A chain is on file for what was worked out, not for what is tried.
  function spot(latlng) {
    if (!shown || shown !== stored) return;
    const at = shown.zones.find((zone) => holds(zone.outline, latlng));
    if (at) askWhy(shown, at.id);
  }

  function redraw() { if (shown || bare) quilt.showZones(shown || bare); }
  function now() { return shown; }
  return { open, spot, redraw, now, draw: show, followReady };
})();
