// A recording at every scale: spans are asked for as they are looked at, never more than a screen of them.
const LEAST_S = 0.002;
let shown = { start_s: 0, stop_s: FACTS.duration_s }, whole = null, event = -1, timer = 0, isLoading = false, isStale = false, events = FACTS.events;
const answers = {};

function clampSpan(start, stop) {
  const length = Math.min(FACTS.duration_s, Math.max(LEAST_S, stop - start));
  const begin = Math.min(Math.max(0, start), FACTS.duration_s - length);
  return { start_s: begin, stop_s: begin + length };
}

function ask(role, start, stop, points) {
  const query = `span?role=${encodeURIComponent(role)}&start_s=${start}&stop_s=${stop}&points=${points}`;
  return fetch(withToken(query)).then((answer) => answer.ok ? answer.json() : answer.text().then((text) => { throw new Error(text); }));
}

function trouble(words) { at("trouble").hidden = !words; at("trouble").textContent = words; }

function show(start, stop) {
  shown = clampSpan(start, stop);
  at("from").value = clock(shown.start_s, 4).replace(" s", ""); at("to").value = clock(shown.stop_s, 4).replace(" s", "");
  draw();
  clearTimeout(timer);
  timer = setTimeout(load, 60);
}

// One round of questions at a time: what was passed over while it ran is never asked for.
function load() {
  if (isLoading) { isStale = true; return; }
  isLoading = true; isStale = false;
  const { start_s: start, stop_s: stop } = shown;
  const rounds = FACTS.roles.map((role) => ask(role, start, stop, Math.max(200, Math.round(at("sheet-" + role).clientWidth)))
    .then((answer) => { answers[role] = answer; trouble(""); })
    .catch((error) => trouble(error.message === "Failed to fetch" ? "The program behind this page has ended." : error.message)));
  Promise.all(rounds).then(() => { isLoading = false; draw(); if (isStale) load(); });
}

function colourOf(role) { return role === "output" ? COLOUR.output : role === "supply" ? COLOUR.supply : COLOUR.text; }

function extremes(answer, sheet) {
  let low = Infinity, high = -Infinity;
  const take = (value, time) => { if (value !== null && time >= sheet.x0 && time <= sheet.x1) { low = Math.min(low, value); high = Math.max(high, value); } };
  if (answer.is_full_rate) answer.segments.forEach((part) => part.volts.forEach((value, k) => take(value, part.start_s + k * part.step_s)));
  else answer.lowest_v.forEach((value, k) => { take(value, answer.start_s + (k + 0.5) * answer.step_s); take(answer.highest_v[k], answer.start_s + (k + 0.5) * answer.step_s); });
  return low <= high ? [low, high] : null;
}

function drawAnswer(sheet, answer, colour) {
  if (!answer) return;
  const found = extremes(answer, sheet);
  if (!found) { sheet.pen.fillStyle = COLOUR.text; sheet.pen.textAlign = "center"; sheet.pen.fillText("nothing recorded here", (sheet.left + sheet.right) / 2, (sheet.top + sheet.bottom) / 2); return; }
  const room = Math.max(0.1, 0.08 * (found[1] - found[0]));
  sheet.y0 = found[0] - room; sheet.y1 = found[1] + room;
  sheet.pen.save(); sheet.pen.beginPath(); sheet.pen.rect(sheet.left, 0, sheet.right - sheet.left, sheet.height); sheet.pen.clip();
  if (answer.is_full_rate) for (const part of answer.segments) {
    drawLine(sheet, part.start_s, part.step_s, part.volts, colour);
    if ((sheet.x1 - sheet.x0) / part.step_s < (sheet.right - sheet.left) / 8) {
      sheet.pen.fillStyle = colour;
      part.volts.forEach((value, k) => { if (value !== null) sheet.pen.fillRect(sheet.x(part.start_s + k * part.step_s) - 2, sheet.y(value) - 2, 4, 4); });
    }
  } else drawBand(sheet, answer.start_s / answer.step_s, answer.step_s, answer.lowest_v, answer.highest_v, colour);
  sheet.pen.restore();
  drawVolts(sheet);
}

function drawEvents(sheet) {
  for (const found of FACTS.events) {
    if (found.stop_s < sheet.x0 || found.start_s > sheet.x1) continue;
    const left = Math.max(sheet.left, sheet.x(found.start_s)), right = Math.min(sheet.right, Math.max(left + 2, sheet.x(found.stop_s)));
    sheet.pen.fillStyle = found.kind === "mark" ? COLOUR.mark : COLOUR.text;
    sheet.pen.fillRect(left, sheet.bottom - 5, Math.max(2, right - left), 5);
  }
}

// The chosen finding: a hatched roof over it and a line where it begins and ends, so that the wave stays clear.
function drawChosen(sheet, found) {
  const left = sheet.x(found.start_s), right = Math.max(left + 2, sheet.x(found.stop_s));
  hatch(sheet, left, right, 0, sheet.top, COLOUR.text, 4);
  sheet.pen.fillStyle = COLOUR.text;
  for (const x of [left, right]) if (x >= sheet.left && x <= sheet.right) sheet.pen.fillRect(x - 0.5, 0, 1, sheet.bottom);
}

function draw() {
  for (const role of FACTS.roles) {
    const sheet = makeSheet(at("sheet-" + role));
    sheet.x0 = shown.start_s; sheet.x1 = shown.stop_s;
    if (event >= 0) drawChosen(sheet, events[event]);
    drawAnswer(sheet, answers[role], colourOf(role));
    drawClock(sheet);
  }
  const sheet = makeSheet(at("whole"));
  sheet.x0 = 0; sheet.x1 = FACTS.duration_s;
  drawAnswer(sheet, whole, colourOf(FACTS.roles[0]));
  drawEvents(sheet);
  drawClock(sheet);
  const left = sheet.x(shown.start_s), right = Math.max(left + 4, sheet.x(shown.stop_s));
  sheet.pen.strokeStyle = COLOUR.text; sheet.pen.lineWidth = 2; sheet.pen.strokeRect(left, sheet.top - 4, right - left, sheet.bottom - sheet.top + 8);
}

function zoom(factor, share) {
  const length = shown.stop_s - shown.start_s, centre = shown.start_s + share * length;
  show(centre - share * length * factor, centre + (1 - share) * length * factor);
}

function move(share) { const by = share * (shown.stop_s - shown.start_s); show(shown.start_s + by, shown.stop_s + by); }

function goTo(number) {
  if (!events.length) return;
  event = (number + events.length) % events.length;
  const found = events[event], room = Math.max(0.05, 0.5 * (found.stop_s - found.start_s));
  at("event-words").textContent = `${event + 1} of ${events.length}, at ${clock(found.start_s, 3)}: ${found.words}`;
  show(found.start_s - room, found.stop_s + room);
}

function typed() {
  const start = readClock(at("from").value), stop = readClock(at("to").value);
  if (stop > start) show(start, stop); else show(shown.start_s, shown.stop_s);
}

function listen(canvas) {
  const fingers = new Map();
  const share = (x) => { const box = canvas.getBoundingClientRect(); return Math.min(1, Math.max(0, (x - box.left - 58) / (box.width - 66))); };
  canvas.addEventListener("wheel", (turn) => { turn.preventDefault(); zoom(turn.deltaY > 0 ? 1.25 : 0.8, share(turn.clientX)); }, { passive: false });
  canvas.addEventListener("pointerdown", (down) => { canvas.setPointerCapture(down.pointerId); fingers.set(down.pointerId, down.clientX); });
  canvas.addEventListener("pointermove", (moved) => {
    if (!fingers.has(moved.pointerId)) return;
    const before = [...fingers.values()], was = fingers.get(moved.pointerId);
    fingers.set(moved.pointerId, moved.clientX);
    const now = [...fingers.values()];
    if (now.length === 1) move(share(was) - share(moved.clientX));
    else if (now.length === 2) {
      const apart = Math.max(8, Math.abs(now[0] - now[1]));
      zoom(Math.max(8, Math.abs(before[0] - before[1])) / apart, share((now[0] + now[1]) / 2));
    }
  });
  for (const name of ["pointerup", "pointercancel"]) canvas.addEventListener(name, (up) => fingers.delete(up.pointerId));
}

for (const role of FACTS.roles) {
  const title = document.createElement("h2"), canvas = document.createElement("canvas");
  title.textContent = role[0].toUpperCase() + role.slice(1);
  canvas.id = "sheet-" + role; canvas.className = "wide"; canvas.setAttribute("role", "img");
  canvas.setAttribute("aria-label", `Volts of ${role} over the span between the two times above.`);
  at("sheets").append(title, canvas);
  listen(canvas);
}
at("report").href = withToken("report");
const kinds = [...new Set(FACTS.events.map((found) => found.kind))];
for (const kind of kinds) {
  const choice = document.createElement("option"), of = FACTS.events.filter((found) => found.kind === kind);
  choice.value = kind; choice.textContent = `${of[0].label} (${of.length})`;
  at("kind").append(choice);
}
at("kind").addEventListener("change", () => {
  const kind = at("kind").value;
  events = kind ? FACTS.events.filter((found) => found.kind === kind) : FACTS.events;
  event = -1; goTo(0);
});
at("before").addEventListener("click", () => goTo(event - (event < 0 ? 0 : 1)));
at("next").addEventListener("click", () => goTo(event + 1));
at("closer").addEventListener("click", () => zoom(0.5, 0.5));
at("wider").addEventListener("click", () => zoom(2, 0.5));
at("all").addEventListener("click", () => show(0, FACTS.duration_s));
for (const id of ["from", "to"]) at(id).addEventListener("change", typed);
at("whole").addEventListener("click", (click) => {
  const box = at("whole").getBoundingClientRect(), place = (click.clientX - box.left - 58) / (box.width - 66) * FACTS.duration_s;
  const isAll = shown.stop_s - shown.start_s > 0.99 * FACTS.duration_s;
  const half = isAll ? FACTS.duration_s / 40 : (shown.stop_s - shown.start_s) / 2;
  show(place - half, place + half);
});
document.addEventListener("keydown", (key) => {
  if (key.ctrlKey || key.metaKey || key.altKey || ["INPUT", "SELECT"].includes(key.target.tagName)) return;
  const act = { n: () => goTo(event + 1), p: () => goTo(event - 1), "+": () => zoom(0.5, 0.5), "=": () => zoom(0.5, 0.5), "-": () => zoom(2, 0.5),
    0: () => show(0, FACTS.duration_s), ArrowLeft: () => move(-0.2), ArrowRight: () => move(0.2) }[key.key];
  if (act) { key.preventDefault(); act(); }
});
window.addEventListener("resize", () => show(shown.start_s, shown.stop_s));
if (FACTS.roles.length) ask(FACTS.roles[0], 0, FACTS.duration_s, 1000).then((answer) => { whole = answer; draw(); }).catch((error) => trouble(error.message));
if (FACTS.roles.length) show(0, FACTS.duration_s); else trouble("The recording holds no channel that can be shown.");
