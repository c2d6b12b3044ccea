"use strict";
// Text from elsewhere gets into the page by textContent only.
const SVG = "http://www.w3.org/2000/svg";
const cards = new Map();
const sum = document.getElementById("sum");
let seconds = 300;

function part(parent, tag, kind) {
  const made = parent.namespaceURI === SVG || tag === "svg"
    ? document.createElementNS(SVG, tag) : document.createElement(tag);
  if (kind) made.setAttribute("class", kind);
  parent.appendChild(made);
  return made;
}

function card(name) {
  const article = part(document.getElementById("sensors"), "article");
  const head = part(article, "h3");
  const made = { article, trend: [], name: part(head, "span"), state: part(head, "span", "state") };
  made.name.textContent = name;
  const value = part(article, "p", "value");
  made.value = part(value, "span");
  made.u95 = part(value, "small");
  const svg = part(article, "svg");
  svg.setAttribute("viewBox", "0 0 300 100");
  svg.setAttribute("preserveAspectRatio", "none");
  svg.setAttribute("role", "img");
  made.svg = svg;
  made.zero = part(svg, "line");
  made.path = part(svg, "path");
  made.scale = part(article, "p", "scale");
  made.rest = part(article, "p", "rest");
  cards.set(name, made);
  return made;
}

// Decimals down to the second figure of the half width.
function places(u95) {
  return u95 > 0 ? Math.min(9, Math.max(0, 1 - Math.floor(Math.log10(u95)))) : 4;
}

function draw(made, sensor) {
  const known = made.trend.filter((y) => y !== null);
  if (known.length < 2) {
    made.path.setAttribute("d", "");
    made.zero.setAttribute("visibility", "hidden");
    made.scale.textContent = "no trend yet";
    return;
  }
  let low = Math.min(...known), high = Math.max(...known);
  const spare = Math.max((high - low) * 0.08, 0.05);
  low -= spare;
  high += spare;
  const y = (v) => (100 * (high - v) / (high - low)).toFixed(1);
  let d = "", pen = false;
  const start = seconds - made.trend.length;
  made.trend.forEach((v, i) => {
    if (v === null) { pen = false; return; }
    d += `${pen ? "L" : "M"}${(300 * (start + i) / (seconds - 1)).toFixed(1)} ${y(v)}`;
    pen = true;
  });
  made.path.setAttribute("d", d);
  const inside = low < 0 && high > 0;
  made.zero.setAttribute("visibility", inside ? "visible" : "hidden");
  if (inside) for (const [key, v] of [["x1", 0], ["x2", 300], ["y1", y(0)], ["y2", y(0)]]) made.zero.setAttribute(key, v);
  const sign = (v) => (v < 0 ? "\u2212" : "+") + Math.abs(v).toFixed(1);
  const text = `${sign(low + spare)} to ${sign(high - spare)} mHz off ${sensor.nominal} Hz in ${Math.round(seconds / 60)} min`;
  made.scale.textContent = text;
  made.svg.setAttribute("aria-label", `trend: ${text}`);
}

function ago(s) {
  if (s < 1.5) return "now";
  if (s < 120) return `${Math.round(s)} s ago`;
  return s < 7200 ? `${Math.round(s / 60)} min ago` : `${Math.round(s / 3600)} h ago`;
}

function show(sensor, all) {
  const made = cards.get(sensor.name) || card(sensor.name);
  made.trend = all ? sensor.trend : made.trend.concat(sensor.trend);
  made.trend.splice(0, Math.max(0, made.trend.length - seconds));
  made.article.className = [sensor.state, sensor.outside ? "outside" : "", sensor.silent ? "silent" : ""].join(" ");
  made.state.textContent = (sensor.outside ? "outside limits, " : "") + (sensor.silent ? "silent, heard" : sensor.state + ",") + " " + ago(sensor.heard_s);
  if (sensor.hz === null) {
    made.value.textContent = "no reading";
    made.u95.textContent = "";
  } else {
    const p = sensor.u95 === null ? 6 : places(sensor.u95);
    made.value.textContent = `${sensor.hz.toFixed(p)} Hz `;
    made.u95.textContent = sensor.u95 === null ? "" : `\u00b1 ${sensor.u95.toFixed(p)}`;
  }
  draw(made, sensor);
  const rest = [];
  if (sensor.ahead_s !== null) {
    const sign = sensor.ahead_s < 0 ? "\u2212" : "+";
    rest.push(`grid time ${sign}${Math.abs(sensor.ahead_s).toFixed(3)} s in ${Math.round(sensor.since_s)} s`);
  }
  rest.push(`${sensor.readings} readings`);
  for (const key of ["lost", "doubled", "refused"]) if (sensor[key]) rest.push(`${sensor[key]} ${key}`);
  if (sensor.restarts) rest.push(`${sensor.restarts} restarts`);
  made.rest.textContent = rest.join(" \u00b7 ");
}

function take(text, all) {
  const state = JSON.parse(text);
  seconds = state.seconds;
  state.sensors.forEach((sensor) => show(sensor, all));
  const silent = state.sensors.filter((s) => s.silent).length;
  const parts = [`${state.sensors.length + state.more} known`];
  if (state.more) parts.push(`the first ${state.sensors.length} shown`);
  if (silent) parts.push(`${silent} silent`);
  if (state.outside) parts.push(`${state.outside} outside limits`);
  if (state.is_failing) parts.push("the log cannot be written");
  else parts.push(state.is_logged ? "logged" : "not logged");
  sum.textContent = parts.join(", ");
  sum.className = state.outside || state.is_failing ? "alarm" : "";
  const list = document.getElementById("headlines");
  list.replaceChildren();
  for (const line of state.headlines) {
    const item = part(list, "li", line.alarm ? "alarm" : "");
    const time = part(item, "time");
    time.dateTime = line.utc;
    time.textContent = line.utc.slice(11, 19);
    item.appendChild(document.createTextNode(`${line.name}: ${line.text}`));
  }
}

const source = new EventSource("/events");
source.addEventListener("all", (event) => take(event.data, true));
source.addEventListener("now", (event) => take(event.data, false));
source.onerror = () => {
  sum.textContent = "The listener cannot be reached: trying again";
  sum.className = "alarm";
};
