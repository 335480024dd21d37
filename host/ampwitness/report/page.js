"use strict";
// The page's own script: the zoomable overview (drawn by uPlot, which stands above) and tables that sort.
// It asks nobody for anything: all that it draws stands in the page.
(() => {
  const FACTS = JSON.parse(document.getElementById("overview-facts").textContent);
  const at = (id) => document.getElementById(id);
  document.documentElement.classList.add("scripted");

  // ---- tables that sort ----
  function valueOf(cell) {
    const text = cell.textContent.trim(), number = Number(text.replace(/,/g, ""));
    return text === "" || text === "not judged" ? null : Number.isNaN(number) ? text : number;
  }
  function sortBy(table, column, isUp) {
    const body = table.tBodies[0], rows = [...body.rows].map((row) => [valueOf(row.cells[column]), row]);
    rows.sort(([a], [b]) => {
      if (a === null || b === null) return (a === null) - (b === null); // what was not judged stays below either way
      const order = typeof a === typeof b ? (a < b ? -1 : a > b ? 1 : 0) : typeof a === "number" ? -1 : 1;
      return isUp ? order : -order;
    });
    body.append(...rows.map(([, row]) => row));
  }
  for (const table of document.querySelectorAll("table.sorts")) {
    const heads = [...table.tHead.rows[0].cells];
    heads.forEach((head, column) => {
      const button = document.createElement("button");
      button.type = "button"; button.textContent = head.textContent;
      head.replaceChildren(button);
      button.addEventListener("click", () => {
        const isUp = head.getAttribute("aria-sort") !== "ascending";
        for (const other of heads) other.removeAttribute("aria-sort");
        head.setAttribute("aria-sort", isUp ? "ascending" : "descending");
        sortBy(table, column, isUp);
      });
    });
  }

  // ---- volts out of their text ----
  const NOTHING = -32768, TOP = 32767;
  function unpack(text, channel) {
    const raw = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
    const steps = new DataView(raw.buffer), volts = new Float64Array(raw.length / 2);
    for (let k = 0; k < volts.length; k++) {
      const step = steps.getInt16(2 * k, true);
      volts[k] = step === NOTHING ? NaN : channel.low_v + (step + TOP) * channel.step_v;
    }
    return volts;
  }
  for (const channel of FACTS.channels) {
    for (const part of [...channel.whole, ...channel.fine]) {
      part.lowest = unpack(part.lowest, channel); part.highest = unpack(part.highest, channel);
      part.stop_s = part.start_s + part.step_s * part.lowest.length;
    }
    for (const part of channel.waves) {
      part.lowest = part.highest = unpack(part.volts, channel); part.isWave = true;
      part.stop_s = part.start_s + part.step_s * part.lowest.length;
    }
    channel.waves.sort((a, b) => a.start_s - b.start_s);
  }
  if (!FACTS.channels.length || !(FACTS.duration_s > 0)) { at("zoom").hidden = true; return; }

  // ---- what is shown ----
  const view = { start_s: 0, stop_s: FACTS.duration_s };
  const zoom = at("zoom"), told = at("told"), kindChoice = at("kind-choice");
  const events = FACTS.lanes.flatMap((lane) => lane.events.map((one) => ({ ...one, lane }))).sort((a, b) => a.start_s - b.start_s);
  let chosen = null, plots = [];
  const MOST_WAVES_S = 12;
  const least_s = Math.min(FACTS.duration_s, 0.002);

  function addPart(out, part, from_s, to_s, width) {
    const first = Math.max(0, Math.floor((from_s - part.start_s) / part.step_s + 1e-6));
    const stop = Math.min(part.lowest.length, Math.ceil((to_s - part.start_s) / part.step_s - 1e-6));
    const merged = Math.max(1, Math.floor((stop - first) / ((part.isWave ? 40 : 2) * width))); // uPlot thins waves itself, by pixel
    for (let k = first; k < stop; k += merged) {
      let low = Infinity, high = -Infinity;
      for (let i = k; i < Math.min(stop, k + merged); i++) {
        const a = part.lowest[i], b = part.highest[i];
        if (Number.isNaN(a) || Number.isNaN(b)) { low = NaN; break; } // a column never bridges a hole
        if (a < low) low = a;
        if (b > high) high = b;
      }
      if (Number.isNaN(low)) low = high = null;
      const left = part.start_s + k * part.step_s;
      out[0].push(left); out[1].push(high); out[2].push(low);
      if (!part.isWave || merged > 1) { // lowest and highest of a step: as wide as the step
        out[0].push(Math.min(to_s, left + 0.999 * merged * part.step_s)); out[1].push(high); out[2].push(low);
      }
    }
  }
  // Single waves where the page holds them, else short steps, else the steps of the whole.
  function addSpan(out, levels, from_s, to_s, width) {
    if (to_s - from_s < 1e-9 || !levels.length) return;
    let place = from_s;
    for (const part of levels[0]) {
      if (part.stop_s <= place || part.start_s >= to_s) continue;
      const left = Math.max(place, part.start_s), right = Math.min(to_s, part.stop_s);
      addSpan(out, levels.slice(1), place, left, width);
      addPart(out, part, left, right, width);
      place = right;
    }
    addSpan(out, levels.slice(1), place, to_s, width);
  }
  function volts(channel, width) {
    const out = [[], [], []], span_s = view.stop_s - view.start_s, levels = [channel.whole];
    if (span_s < 120) levels.unshift(channel.fine);
    if (span_s < MOST_WAVES_S) levels.unshift(channel.waves);
    addSpan(out, levels, view.start_s, view.stop_s, width);
    return out;
  }

  // ---- writing times ----
  function clock(time_s, step_s) {
    const digits = Math.max(0, Math.min(6, Math.ceil(-Math.log10(step_s) - 1e-9)));
    const scale = 10 ** digits, whole = Math.round(time_s * scale) / scale;
    const hours = Math.floor(whole / 3600), minutes = Math.floor(whole / 60) % 60, rest = (whole - 3600 * hours - 60 * minutes).toFixed(digits);
    const two = (text) => (text.indexOf(".") === 1 || text.length === 1 ? "0" + text : text);
    if (FACTS.duration_s < 60) return rest + " s";
    return hours ? `${hours}:${two(String(minutes))}:${two(rest)}` : `${minutes}:${two(rest)}`;
  }
  const STEPS = [1e-4, 2e-4, 5e-4, 1e-3, 2e-3, 5e-3, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 10800, 14400, 21600];

  // ---- drawing ----
  const LABEL = 20;
  const hatches = new Map();
  function fillOf(pen, lane, ratio) {
    if (!lane.hatch) return lane.colour;
    if (!hatches.has(lane.kind)) {
      const tile = document.createElement("canvas"), size = Math.round(7 * ratio);
      tile.width = tile.height = size;
      const ink = tile.getContext("2d");
      ink.fillStyle = lane.colour; ink.fillRect(0, 0, size, size);
      ink.strokeStyle = ink.fillStyle = FACTS.colours.text; ink.lineWidth = ratio;
      ink.beginPath();
      if (/[/x]/.test(lane.hatch)) { ink.moveTo(0, size); ink.lineTo(size, 0); }
      if (/[\\x]/.test(lane.hatch)) { ink.moveTo(0, 0); ink.lineTo(size, size); }
      ink.stroke();
      if (lane.hatch.includes(".")) ink.fillRect(size / 2 - ratio, size / 2 - ratio, 2 * ratio, 2 * ratio);
      hatches.set(lane.kind, pen.createPattern(tile, "repeat"));
    }
    return hatches.get(lane.kind);
  }
  function drawBar(plot, start_s, stop_s, top, bottom, ratio, fill, edge) {
    if (stop_s < view.start_s || start_s > view.stop_s) return;
    const box = plot.bbox, pen = plot.ctx;
    const left = Math.max(box.left, plot.valToPos(start_s, "x", true)), right = Math.min(box.left + box.width, plot.valToPos(stop_s, "x", true));
    pen.fillStyle = fill;
    pen.fillRect(left, top, Math.max(2 * ratio, right - left), bottom - top);
    if (edge) { pen.strokeStyle = FACTS.colours.text; pen.lineWidth = edge * ratio; pen.strokeRect(left, top, Math.max(2 * ratio, right - left), bottom - top); }
  }
  const rows = [...FACTS.lanes];
  if (FACTS.not_judged.length) rows.push({ kind: "", label: "not judged", colour: "#FFFFFF", hatch: "/", events: [], rest: FACTS.not_judged });
  function drawLanes(plot) {
    const ratio = window.devicePixelRatio || 1, box = plot.bbox, height = box.height / Math.max(1, rows.length);
    rows.forEach((lane, row) => {
      const top = box.top + row * height + 0.17 * height, bottom = top + 0.66 * height, fill = fillOf(plot.ctx, lane, ratio);
      for (const [start_s, stop_s, n] of lane.rest) { // a thin bar: several somewhere in it
        const slim = n > 1 ? 0.2 * height : 0;
        drawBar(plot, start_s, stop_s, top + slim, bottom - slim, ratio, fill, lane.hatch ? 0.7 : 0);
      }
      for (const one of lane.events) drawBar(plot, one.start_s, one.stop_s, top, bottom, ratio, fill, lane.hatch || lane.kind === "note" ? 0.7 : 0);
      if (chosen && chosen.lane === lane) drawBar(plot, chosen.start_s, chosen.stop_s, top - 2 * ratio, bottom + 2 * ratio, ratio, "rgba(0,0,0,0)", 2.5);
    });
  }
  // The chosen finding: a black roof over it and a thin line at either end, so that the wave stays clear.
  function drawRoof(plot) {
    if (!chosen || chosen.stop_s < view.start_s || chosen.start_s > view.stop_s) return;
    const ratio = window.devicePixelRatio || 1, box = plot.bbox, pen = plot.ctx;
    drawBar(plot, chosen.start_s, chosen.stop_s, box.top, box.top + 5 * ratio, ratio, FACTS.colours.text, 0);
    pen.fillStyle = FACTS.colours.text;
    for (const time_s of [chosen.start_s, chosen.stop_s]) if (time_s >= view.start_s && time_s <= view.stop_s) pen.fillRect(plot.valToPos(time_s, "x", true), box.top, ratio, box.height);
  }
  const isNarrow = () => zoom.clientWidth < 600;
  function makePlot(height, scales, axes, series, bands, draw, words) {
    const font = `${isNarrow() ? 11 : 13}px system-ui, sans-serif`;
    for (const axis of axes) Object.assign(axis, { font, stroke: FACTS.colours.text, ticks: { show: false } });
    const plot = new uPlot({
      width: zoom.clientWidth, height, padding: [6, isNarrow() ? 18 : 32, 0, 0], legend: { show: false }, scales: { x: { time: false, range: () => [view.start_s, view.stop_s] }, ...scales },
      cursor: { sync: { key: "overview", filters: { pub: (type) => type === "mousemove" || type === "mouseleave", sub: () => true } }, points: { show: false }, y: false, drag: { x: true, y: false, setScale: false, dist: 6 }, bind: { dblclick: () => () => { show(0, FACTS.duration_s); return null; } } },
      axes, series, bands,
      hooks: { draw: [(self) => { self.ctx.save(); draw(self); drawRoof(self); self.ctx.restore(); }], // uPlot remembers its own pen 
        setSelect: [(self) => {
        if (self.select.width < 6) return;
        const from_s = self.posToVal(self.select.left, "x"), to_s = self.posToVal(self.select.left + self.select.width, "x");
        self.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
        show(from_s, to_s);
      }] },
    }, series.length === 3 ? [[], [], []] : [[]], at("plots"));
    plot.root.setAttribute("role", "img"); plot.root.setAttribute("aria-label", words);
    listen(plot);
    return plot;
  }
  function makePlots() {
    for (const { plot } of plots) plot.destroy();
    hatches.clear();
    const gutter = isNarrow() ? 72 : 96, grid = { stroke: FACTS.colours.grid, width: 1 };
    const across = (isShown) => ({ scale: "x", show: true, size: isShown ? 30 : 4, space: isNarrow() ? 90 : 110, incrs: STEPS, grid, values: (_, all, __, ___, step_s) => all.map((v) => (isShown ? clock(v, step_s) : "")) });
    plots = FACTS.channels.map((channel, number) => {
      const room = 0.06 * Math.max(channel.high_v - channel.low_v, 0.1);
      const series = [{}, ...[0, 1].map(() => ({ stroke: channel.colour, width: 1.3, pxAlign: 0, points: { show: false }, spanGaps: false }))];
      const up = { scale: "y", size: gutter, grid: { show: false }, label: channel.label, labelSize: LABEL, labelFont: `600 ${isNarrow() ? 12 : 14}px system-ui, sans-serif`, space: 34 };
      const plot = makePlot(number ? 132 : 210, { y: { range: () => [channel.low_v - room, channel.high_v + room] } }, [across(false), up], series, [{ series: [1, 2], fill: channel.colour }], () => {}, `Volts of ${channel.role} against time. The findings stand in the tables below.`);
      return { plot, data: () => volts(channel, zoom.clientWidth) };
    });
    const labels = rows.map((lane) => lane.label);
    const left = { scale: "y", size: gutter + LABEL, grid: { show: false }, splits: () => labels.map((_, row) => row + 0.5), values: () => [...labels].reverse(), space: 1 };
    const n = Math.max(1, rows.length);
    const lanes = makePlot(26 * n + 42, { y: { range: () => [0, n] } }, [across(true), left], [{}], [], drawLanes, `Lanes of events against time: ${labels.join(", ") || "none"}.`);
    plots.push({ plot: lanes, data: () => [[view.start_s, view.stop_s]] });
    lanes.over.style.cursor = "pointer";
    lanes.over.addEventListener("click", (click) => pick(lanes, click));
    draw();
  }
  function pick(plot, click) {
    const box = plot.over.getBoundingClientRect(), lane = rows[Math.floor(((click.clientY - box.top) / box.height) * rows.length)];
    if (!lane) return;
    const time_s = plot.posToVal(click.clientX - box.left, "x"), near_s = (8 / box.width) * (view.stop_s - view.start_s);
    const off = (one) => Math.max(0, one.start_s - time_s, time_s - one.stop_s);
    const best = lane.events.reduce((a, one) => (off(one) <= near_s && (!a || off(one) < off(a)) ? one : a), null);
    if (best) { goTo(events.find((one) => one.number === best.number)); return; }
    const rest = lane.rest.find(([a, b]) => time_s >= a - near_s && time_s <= b + near_s);
    if (!rest) return;
    told.textContent = lane.kind ? `${lane.label}: ${rest[2]} in here without a row in the table; \`report --json FILE --every-finding\` lists them.` : `Not judged here. ${rest[2]}.`;
    const room = Math.max(0.05, 0.3 * (rest[1] - rest[0]));
    show(rest[0] - room, rest[1] + room);
  }
  function draw() {
    for (const { plot, data } of plots) plot.setData(data());
    const part = (view.stop_s - view.start_s) / FACTS.duration_s;
    at("part").style.left = `${(100 * view.start_s) / FACTS.duration_s}%`;
    at("part").style.width = `${Math.max(0.4, 100 * part)}%`;
    const step_s = (view.stop_s - view.start_s) / 100;
    at("span-words").textContent = part > 0.999 ? `All of it: ${clock(FACTS.duration_s, 1)}.` : `From ${clock(view.start_s, step_s)} to ${clock(view.stop_s, step_s)}. ${detail()}`;
    zoom.dataset.start = view.start_s; zoom.dataset.stop = view.stop_s;
  }
  function detail() {
    const channel = FACTS.channels[0], covers = (part) => part.start_s < view.stop_s && part.stop_s > view.start_s;
    if (view.stop_s - view.start_s < MOST_WAVES_S && channel.waves.some(covers)) return "Single waves where a line runs, lowest and highest of each step elsewhere.";
    const part = (view.stop_s - view.start_s < 120 && channel.fine.find(covers)) || channel.whole[0];
    return `Lowest and highest of each ${part.step_s < 1 ? 1000 * part.step_s >= 1 ? Math.round(1000 * part.step_s) + " ms" : "" : part.step_s.toFixed(1) + " s"}.`;
  }
  function show(start_s, stop_s) {
    const length = Math.min(FACTS.duration_s, Math.max(least_s, stop_s - start_s)), middle = (start_s + stop_s) / 2;
    view.start_s = Math.min(FACTS.duration_s - length, Math.max(0, middle - length / 2));
    view.stop_s = view.start_s + length;
    draw();
  }
  function scale(factor, share) {
    const length = view.stop_s - view.start_s, centre = view.start_s + share * length;
    const now = Math.min(FACTS.duration_s, Math.max(least_s, factor * length));
    show(centre - share * now, centre + (1 - share) * now);
  }
  function move(share) { const by = share * (view.stop_s - view.start_s); show(view.start_s + by, view.stop_s + by); }
  function goTo(one) {
    if (!one) return;
    for (const row of document.querySelectorAll("tr.chosen")) row.classList.remove("chosen");
    const row = at(`finding-${one.number}`);
    if (row) row.classList.add("chosen");
    chosen = one;
    told.replaceChildren(`${one.words} `);
    const link = document.createElement("a");
    link.href = `#finding-${one.number}`; link.textContent = `Finding ${one.number}`;
    told.append(link);
    const wave = FACTS.channels[0].waves.some((part) => part.start_s <= one.start_s && part.stop_s > one.start_s);
    const seen_s = wave ? Math.min(one.stop_s, one.start_s + 4) : one.stop_s;
    const room = wave ? Math.max(0.035, 0.3 * (seen_s - one.start_s)) : Math.max(1, 0.5 * (seen_s - one.start_s));
    show(one.start_s - room, seen_s + room);
  }
  function step(by) {
    const among = events.filter((one) => !kindChoice.value || one.lane.kind === kindChoice.value);
    if (!among.length) return;
    let place = chosen ? among.findIndex((one) => one.number === chosen.number) : -1;
    if (place < 0 && chosen) place = among.findIndex((one) => one.start_s > chosen.start_s) - (by > 0 ? 1 : 0);
    goTo(among[(place + (place < 0 && by < 0 ? 0 : by) + among.length) % among.length]);
  }

  // ---- hands ----
  function listen(plot) {
    const over = plot.over, fingers = new Map();
    over.style.touchAction = "pan-y";
    const share = (x) => { const box = over.getBoundingClientRect(); return Math.min(1, Math.max(0, (x - box.left) / box.width)); };
    over.addEventListener("wheel", (turn) => { // the page keeps its wheel until somebody has clicked into the overview
      if (!turn.ctrlKey && !zoom.contains(document.activeElement)) return;
      turn.preventDefault();
      if (Math.abs(turn.deltaX) > Math.abs(turn.deltaY)) move(turn.deltaX > 0 ? 0.1 : -0.1);
      else scale(1.0025 ** Math.max(-400, Math.min(400, (turn.deltaMode ? 33 : 1) * turn.deltaY)), share(turn.clientX));
    }, { passive: false });
    over.addEventListener("mousedown", () => zoom.focus({ preventScroll: true }));
    over.addEventListener("pointerdown", (down) => { if (down.pointerType === "touch") fingers.set(down.pointerId, down.clientX); });
    over.addEventListener("pointermove", (moved) => {
      if (!fingers.has(moved.pointerId)) return;
      const before = [...fingers.values()], was = fingers.get(moved.pointerId);
      fingers.set(moved.pointerId, moved.clientX);
      const now = [...fingers.values()];
      if (now.length === 1) move(share(was) - share(moved.clientX));
      else if (now.length === 2) scale(Math.max(12, Math.abs(before[0] - before[1])) / Math.max(12, Math.abs(now[0] - now[1])), share((now[0] + now[1]) / 2));
    });
    for (const name of ["pointerup", "pointercancel"]) over.addEventListener(name, (up) => fingers.delete(up.pointerId));
  }
  const acts = { closer: () => scale(0.5, 0.5), wider: () => scale(2, 0.5), all: () => show(0, FACTS.duration_s), before: () => step(-1), next: () => step(1) };
  for (const [id, act] of Object.entries(acts)) at(id).addEventListener("click", act);
  zoom.addEventListener("keydown", (key) => {
    if (key.ctrlKey || key.metaKey || key.altKey || key.target.tagName === "SELECT") return;
    const act = { "+": acts.closer, "=": acts.closer, "-": acts.wider, 0: acts.all, Home: acts.all, n: acts.next, p: acts.before, ArrowLeft: () => move(-0.2), ArrowRight: () => move(0.2) }[key.key];
    if (act) { key.preventDefault(); act(); }
  });
  for (const lane of FACTS.lanes) {
    if (!lane.events.length) continue;
    const choice = document.createElement("option");
    choice.value = lane.kind; choice.textContent = `${lane.label} (${lane.events.length})`;
    kindChoice.append(choice);
  }
  document.addEventListener("click", (click) => {
    const link = click.target.closest && click.target.closest("a[data-finding]");
    if (!link) return;
    click.preventDefault();
    goTo(events.find((one) => one.number === Number(link.dataset.finding)));
    zoom.focus({ preventScroll: true });
    at("overview").scrollIntoView({ block: "start" });
  });
  let width = 0;
  new ResizeObserver(() => { if (zoom.clientWidth && zoom.clientWidth !== width) { width = zoom.clientWidth; makePlots(); } }).observe(zoom);
})();
