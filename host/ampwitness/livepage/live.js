// The live page: each message is one picture in values and words; this draws it and keeps the last minute.
const minute = { output: new Map(), supply: new Map() };
let newest = null, isHeld = false, isDue = false, lastStep = -1, isAsking = false;
const waveScale = steadyScale(), levelScale = steadyScale();

function takeSteps(role, picture) {
  const columns = picture[role], kept = minute[role];
  if (!columns) return;
  columns.lowest_v.forEach((low, k) => { if (low !== null) kept.set(picture.first_step + k, [low, columns.highest_v[k]]); });
  const end = picture.first_step + columns.lowest_v.length;
  for (const step of kept.keys()) if (step < end - FACTS.minute_steps) kept.delete(step);
  return end - 1;
}

function take(picture) {
  if (newest && picture.now_s < newest.now_s) { minute.output.clear(); minute.supply.clear(); lastStep = -1; }
  const isBehind = lastStep >= 0 && picture.first_step > lastStep + 1;
  lastStep = Math.max(takeSteps("output", picture) ?? -1, takeSteps("supply", picture) ?? -1);
  if (isBehind) askMinute();
  newest = picture;
  if (!isDue) { isDue = true; requestAnimationFrame(draw); }
}

// Pictures may be dropped on their way to a busy browser. The minute is asked for again then.
function askMinute() {
  if (isAsking) return;
  isAsking = true;
  fetch(withToken("minute")).then((answer) => answer.json()).then((picture) => {
    takeSteps("output", picture); takeSteps("supply", picture);
  }).catch(() => {}).finally(() => { isAsking = false; });
}

function say(id, words) { const place = at(id); if (place.textContent !== words) place.textContent = words; }

function writeWords(picture) {
  say("stage", picture.stage); at("stage").className = "verdict " + (picture.stage === "recording" ? "loud" : "dashed");
  say("clock", picture.clock);
  say("level-words", picture.level_words); say("supply-words", picture.supply_words);
  say("losses", picture.losses); at("losses").classList.toggle("loud", picture.has_losses);
  say("marks-words", picture.n_marks === 1 ? "1 mark" : picture.n_marks + " marks");
  say("fault", picture.faults.length ? "The board says: " + picture.faults[picture.faults.length - 1] : "");
  const level = picture.level;
  say("ceiling-words", level.ceiling_v === null ? level.ceiling_source : "clean ceiling " + level.ceiling_v.toFixed(1) + " V, " + level.ceiling_source);
  say("dip-words", picture.dip_below_v === null ? "" : "a dip: below " + picture.dip_below_v.toFixed(2) + " V");
  say("engine-words", picture.engine_said ? "marked: " + picture.engine_said : "");
  for (const button of document.querySelectorAll("#mark, .engine")) button.disabled = picture.stage === "ended";
  at("ending").hidden = !picture.ending; say("ending", picture.ending);
}

// Beyond the clean ceiling the sheet is hatched, above and below the volts that the output swings about.
function drawCeiling(sheet, ceiling, rest, words) {
  if (ceiling === null) return;
  const up = sheet.y(rest + ceiling), down = sheet.y(rest - ceiling);
  hatch(sheet, sheet.left, sheet.right, sheet.top, up, COLOUR.clip, 7);
  hatch(sheet, sheet.left, sheet.right, down, sheet.bottom, COLOUR.clip, 7);
  drawFlat(sheet, rest + ceiling, COLOUR.text, [], words, true);
  drawFlat(sheet, rest - ceiling, COLOUR.text, [], "", false);
}

function drawWave(picture) {
  const sheet = makeSheet(at("wave")), wave = picture.wave, ceiling = picture.level.ceiling_v, rest = picture.level.rest_v;
  if (!wave) { say("wave-words", "none yet"); return; }
  const most = wave.volts.reduce((sum, value) => Math.max(sum, value === null ? 0 : Math.abs(value)), 0.1);
  const top = waveScale(Math.max(most * 1.08, ceiling !== null && most > 0.1 * ceiling ? (Math.abs(rest) + ceiling) * 1.15 : 0));
  sheet.x0 = wave.is_held ? -0.1 * wave.span_ms : 0; sheet.x1 = sheet.x0 + wave.span_ms; sheet.y0 = -top; sheet.y1 = top;
  drawCeiling(sheet, ceiling !== null && Math.abs(rest) + ceiling < top ? ceiling : null, rest, "clean ceiling");
  drawFlat(sheet, 0, COLOUR.grid, [], "", false);
  drawLine(sheet, wave.start_ms, wave.step_ms, wave.volts, COLOUR.output);
  drawVolts(sheet);
  drawAcross(sheet, (value, digits) => value.toFixed(digits) + " ms");
  say("wave-words", wave.is_held ? "held where it rises through its middle" : "nothing to hold it by: it runs free");
}

function drawMinute(id, role, picture) {
  const sheet = makeSheet(at(id)), kept = minute[role], step = FACTS.step_s;
  const last = lastStep, first = last - FACTS.minute_steps + 1, low = [], high = [];
  for (let k = first; k <= last; k++) { const row = kept.get(k); low.push(row ? row[0] : null); high.push(row ? row[1] : null); }
  sheet.x0 = first * step; sheet.x1 = (last + 1) * step;
  const known = low.filter((value) => value !== null);
  if (role === "output") {
    const most = Math.max(0.1, ...known.map(Math.abs), ...high.filter((value) => value !== null));
    const ceiling = picture.level.ceiling_v, rest = picture.level.rest_v;
    const top = levelScale(Math.max(most * 1.05, ceiling === null ? 0 : (Math.abs(rest) + ceiling) * 1.15));
    sheet.y0 = -top; sheet.y1 = top;
    drawCeiling(sheet, ceiling, rest, "");
  } else if (known.length) {
    const most = Math.max(...high.filter((value) => value !== null), picture.dip_below_v ?? -1e9);
    const least = Math.min(...known, picture.dip_below_v ?? 1e9);
    sheet.y0 = Math.floor(2 * (least - 0.2)) / 2; sheet.y1 = Math.ceil(2 * (most + 0.2)) / 2;
  }
  for (const gap of picture.gaps) hatch(sheet, sheet.x(gap.start_s), sheet.x(gap.stop_s), sheet.top, sheet.bottom, COLOUR.gap, 5);
  if (role === "supply") {
    for (const dip of picture.dips) {
      const left = Math.max(sheet.left, sheet.x(dip.start_s)), right = Math.max(left + 3, sheet.x(dip.stop_s));
      if (sheet.x(dip.stop_s) < sheet.left) continue;
      sheet.pen.globalAlpha = 0.35; sheet.pen.fillStyle = COLOUR.dip; sheet.pen.fillRect(left, sheet.top, right - left, sheet.bottom - sheet.top);
      sheet.pen.globalAlpha = 1; hatch(sheet, left, right, sheet.top, sheet.bottom, COLOUR.dip, 6);
    }
    if (picture.dip_below_v !== null) drawFlat(sheet, picture.dip_below_v, COLOUR.text, [6, 4], "", false);
  }
  drawBand(sheet, first, step, low, high, role === "output" ? COLOUR.output : COLOUR.supply);
  for (const mark of picture.marks) drawFlag(sheet, mark.time_s, String(mark.number));
  drawVolts(sheet);
  const now = sheet.x1;
  sheet.x0 -= now; sheet.x1 -= now;
  const apart = sheet.right - sheet.left > 600 ? 10 : 20;
  drawAcross(sheet, (value) => Math.abs(value) < 1e-6 ? "now" : Math.abs(value).toFixed(0) + " s ago", apart);
}

let shown = null;
function draw() {
  isDue = false;
  if (!newest) return;
  writeWords(newest);
  if (!isHeld) shown = newest;
  if (!shown) return;
  if (!isHeld) { drawWave(shown); drawMinute("level", "output", shown); drawMinute("supply", "supply", shown); }
  document.body.dataset.pictures = String(Number(document.body.dataset.pictures || 0) + 1);
}

function sendMark(label) {
  if (at("mark").disabled) return;
  fetch(withToken("mark"), { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ label }) })
    .then((answer) => { if (!answer.ok) say("marks-words", "the mark was not taken"); })
    .catch(() => say("marks-words", "the mark was not taken: the program is gone"));
}

// What was typed goes with one mark and is gone then.
function setMark() {
  const typed = at("label").value.trim();
  at("label").value = "";
  sendMark(typed || "page");
}

function toggleHold() { isHeld = !isHeld; at("hold").setAttribute("aria-pressed", String(isHeld)); if (!isHeld) draw(); }

at("mark").addEventListener("click", setMark);
at("hold").addEventListener("click", toggleHold);
for (const button of document.querySelectorAll(".engine")) button.addEventListener("click", () => sendMark(button.dataset.label));
at("label").addEventListener("keydown", (event) => {
  if (event.key === "Enter") { setMark(); at("label").blur(); }
  event.stopPropagation();  // words hold the keys' letters
});
document.addEventListener("keydown", (event) => {
  if (event.repeat || event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.key === "m" || event.key === "M") setMark();
  if (event.key === "h" || event.key === "H") toggleHold();
  const engine = { e: "engine-on", o: "engine-off", c: "cranking" }[event.key.toLowerCase()];
  if (engine) at(engine).click();
});
window.addEventListener("resize", () => { if (!isDue) { isDue = true; requestAnimationFrame(draw); } });

const stream = new EventSource(withToken("stream"));
stream.onmessage = (event) => {
  const picture = JSON.parse(event.data);
  if (!picture.stage) return;
  take(picture);
  if (picture.stage === "ended") stream.close();
};
stream.onerror = () => { if (!newest || newest.stage !== "ended") { say("stage", "not connected"); at("stage").className = "verdict dashed"; } };
