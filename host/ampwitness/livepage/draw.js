"use strict";
// Shared by the pages: a canvas with volts upwards, written at its edges, without a grid.
const FACTS = JSON.parse(document.getElementById("facts").textContent);
const COLOUR = FACTS.colours;

function at(id) { return document.getElementById(id); }

function withToken(path) {
  if (!FACTS.token) return path;
  return path + (path.includes("?") ? "&" : "?") + "token=" + encodeURIComponent(FACTS.token);
}

// A sheet maps volts and a horizontal quantity onto a canvas; sharp on every screen.
function makeSheet(canvas) {
  const ratio = window.devicePixelRatio || 1;
  const width = canvas.clientWidth, height = canvas.clientHeight;
  if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(height * ratio);
  }
  const pen = canvas.getContext("2d");
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  pen.clearRect(0, 0, width, height);
  pen.font = "13px system-ui, sans-serif";
  pen.lineJoin = "round";
  const left = 58, right = width - 8, top = 8, bottom = height - 22;
  const sheet = {
    pen, width, height, left, right, top, bottom, x0: 0, x1: 1, y0: 0, y1: 1,
    x(value) { return left + (value - sheet.x0) / (sheet.x1 - sheet.x0) * (right - left); },
    y(value) { return bottom - (value - sheet.y0) / (sheet.y1 - sheet.y0) * (bottom - top); },
  };
  return sheet;
}

function niceStep(span, most) {
  const raw = span / most, ten = Math.pow(10, Math.floor(Math.log10(raw)));
  return [1, 2, 5, 10].map((k) => k * ten).find((step) => step >= raw);
}

// Marks as far apart as asked, or nearer where fewer than two would lie on the scale: one number is no scale.
function voltStep(low, high, most) {
  const step = niceStep(high - low, most);
  return Math.floor(high / step + 1e-9) > Math.ceil(low / step - 1e-9) || most > 50 ? step : voltStep(low, high, 1.5 * most);
}

function digitsFor(step) { return Math.max(0, -Math.floor(Math.log10(step) + 1e-9)); }

// Recording time as a person reads it off: seconds of a short recording, else minutes or hours by the clock.
function clock(value, digits) {
  if (FACTS.duration_s < 120) return value.toFixed(digits) + " s";
  const whole = Number(value.toFixed(digits)), minutes = Math.floor(whole / 60), hours = Math.floor(minutes / 60);
  const seconds = (whole - 60 * minutes).toFixed(digits).padStart(digits ? digits + 3 : 2, "0");
  return hours ? `${hours}:${String(minutes % 60).padStart(2, "0")}:${seconds}` : `${minutes}:${seconds}`;
}

// What a person types: 65, 1:05 or 1:02:05.5; NaN where it is no time.
function readClock(text) { return text.trim().split(":").reduce((sum, part) => 60 * sum + (part.trim() ? Number(part) : NaN), 0); }

function clockStep(span, most) {
  const steps = [10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400, 21600, 43200];
  return FACTS.duration_s < 120 || span / most < 5 ? 0 : steps.find((step) => step >= span / most) || 86400;
}

function drawClock(sheet) {
  drawAcross(sheet, clock, clockStep(sheet.x1 - sheet.x0, Math.max(2, (sheet.right - sheet.left) / 85)));
}

function drawVolts(sheet) {
  const { pen } = sheet, step = voltStep(sheet.y0, sheet.y1, Math.max(2, (sheet.bottom - sheet.top) / 34));
  pen.fillStyle = COLOUR.text; pen.textAlign = "right"; pen.textBaseline = "middle";
  for (let k = Math.ceil(sheet.y0 / step - 1e-9); k * step <= sheet.y1 + 1e-9; k++) {
    const y = sheet.y(k * step);
    pen.fillText((k * step).toFixed(digitsFor(step)) + " V", sheet.left - 9, y);
    pen.fillRect(sheet.left - 6, y - 0.5, 5, 1);
  }
}

function drawAcross(sheet, words, apart) {
  const { pen } = sheet, step = apart || niceStep(sheet.x1 - sheet.x0, Math.max(2, (sheet.right - sheet.left) / 85));
  pen.fillStyle = COLOUR.text; pen.textBaseline = "alphabetic"; pen.textAlign = "center";
  for (let k = Math.ceil(sheet.x0 / step - 1e-9); k * step <= sheet.x1 + 1e-9; k++) {
    const x = sheet.x(k * step), text = words(k * step, digitsFor(step)), half = pen.measureText(text).width / 2;
    pen.fillRect(x - 0.5, sheet.bottom, 1, 5);
    pen.fillText(text, Math.min(sheet.width - half - 1, Math.max(half + 1, x)), sheet.height - 4);
  }
}

function drawFlat(sheet, value, colour, dash, words, above) {
  const { pen } = sheet, y = sheet.y(value);
  pen.strokeStyle = colour; pen.lineWidth = 1.5; pen.setLineDash(dash);
  pen.beginPath(); pen.moveTo(sheet.left, y); pen.lineTo(sheet.right, y); pen.stroke(); pen.setLineDash([]);
  if (words) {
    pen.textAlign = "right"; pen.textBaseline = above ? "bottom" : "top";
    const wide = pen.measureText(words).width, tall = above ? y - 17 : y + 2;
    pen.fillStyle = "rgba(255,255,255,0.85)"; pen.fillRect(sheet.right - wide - 6, tall, wide + 6, 15);
    pen.fillStyle = COLOUR.text; pen.fillText(words, sheet.right - 3, above ? y - 2 : y + 2);
  }
}

// Slanted lines over a span, as print in grey needs them.
function hatch(sheet, xa, xb, ya, yb, colour, gap) {
  const { pen } = sheet, left = Math.max(xa, sheet.left), right = Math.min(xb, sheet.right), tall = yb - ya;
  if (right <= left || tall <= 0) return;
  pen.save(); pen.beginPath(); pen.rect(left, ya, right - left, tall); pen.clip();
  pen.strokeStyle = colour; pen.lineWidth = 1;
  pen.beginPath();
  for (let x = Math.floor((left - tall) / gap) * gap; x < right; x += gap) { pen.moveTo(x, yb); pen.lineTo(x + tall, ya); }
  pen.stroke(); pen.restore();
}

// A band from lowest to highest; runs of null stay empty.
function drawBand(sheet, first, step, lowest, highest, colour) {
  const { pen } = sheet;
  pen.fillStyle = colour; pen.strokeStyle = colour; pen.lineWidth = 1;
  let k = 0;
  while (k < lowest.length) {
    if (lowest[k] === null || lowest[k] === undefined) { k++; continue; }
    let end = k;
    while (end < lowest.length && lowest[end] !== null && lowest[end] !== undefined) end++;
    pen.beginPath();
    for (let i = k; i < end; i++) {
      pen.lineTo(sheet.x((first + i) * step), sheet.y(highest[i])); pen.lineTo(sheet.x((first + i + 1) * step), sheet.y(highest[i]));
    }
    for (let i = end - 1; i >= k; i--) {
      pen.lineTo(sheet.x((first + i + 1) * step), sheet.y(lowest[i])); pen.lineTo(sheet.x((first + i) * step), sheet.y(lowest[i]));
    }
    pen.closePath(); pen.globalAlpha = 0.75; pen.fill(); pen.globalAlpha = 1; pen.stroke();
    k = end;
  }
}

function drawLine(sheet, start, step, values, colour) {
  const { pen } = sheet;
  pen.strokeStyle = colour; pen.lineWidth = 2; pen.beginPath();
  let open = false;
  values.forEach((value, k) => {
    if (value === null) { open = false; return; }
    const x = sheet.x(start + k * step), y = sheet.y(value);
    if (open) pen.lineTo(x, y); else pen.moveTo(x, y);
    open = true;
  });
  pen.stroke();
}

function drawFlag(sheet, value, words) {
  const { pen } = sheet, x = sheet.x(value);
  if (x < sheet.left || x > sheet.right) return;
  pen.fillStyle = COLOUR.mark; pen.fillRect(x - 1, sheet.top, 2, sheet.bottom - sheet.top);
  const wide = pen.measureText(words).width + 8, left = x + wide > sheet.right ? x - wide : x;
  pen.fillRect(left, sheet.top, wide, 17);
  pen.fillStyle = "#fff"; pen.textAlign = "left"; pen.textBaseline = "top"; pen.fillText(words, left + 4, sheet.top + 2);
}

// Scales move in steps and come down slowly: a picture that breathes cannot be read.
function steadyScale() {
  let shown = 0, smallerSince = 0;
  return function (wanted) {
    const step = [1, 1.5, 2, 3, 5, 7, 10].map((k) => k * Math.pow(10, Math.floor(Math.log10(Math.max(wanted, 0.01)))));
    const next = step.find((value) => value >= wanted);
    if (next >= shown) { shown = next; smallerSince = 0; }
    else if (!smallerSince) smallerSince = performance.now();
    else if (performance.now() - smallerSince > 3000) { shown = next; smallerSince = 0; }
    return shown;
  };
}
