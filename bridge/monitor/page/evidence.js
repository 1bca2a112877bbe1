// What a calibration found, in words and three pictures. The words say all that the pictures show.
import { element, number, unit } from "./words.js";

const WIDTH = 640;
const LEFT = 80;
const RIGHT = 12;

export function evidence(name, found) {
  const part = element("section", "evidence");
  part.append(element("h4", "", name));
  for (const words of found.warnings) part.append(element("p", "warning", words));
  for (const words of found.proposals) part.append(element("p", "", `Instead: ${words}`));
  const list = element("dl");
  for (const [label, value] of found.figures) list.append(element("dt", "", label.trim()), element("dd", "", value));
  part.append(list);
  if (found.trace) part.append(traces(found));
  if (found.acts.length) part.append(sizes(found));
  if (found.curve.length) part.append(tradeOff(found));
  return part;
}

function svg(tag, attributes = {}, text = "") {
  const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text) made.textContent = text;
  return made;
}

function figure(height, caption, parts) {
  const picture = svg("svg", { viewBox: `0 0 ${WIDTH} ${height}`, role: "img", "aria-label": caption });
  picture.append(...parts);
  const made = element("figure");
  made.append(picture, element("figcaption", "", caption));
  return made;
}

const path = (points, name) => svg("polyline", { points: points.map(([x, y]) => `${x.toFixed(1)},${y.toFixed(1)}`).join(" "), class: name });
const words = (x, y, text, anchor = "middle") => svg("text", { x, y, "text-anchor": anchor }, text);

function traces({ trace, unit: name }) {
  const height = 190;
  const count = trace.rows[0].length;
  const all = trace.rows.flat();
  const [low, high] = [Math.min(...all), Math.max(...all)];
  const x = (i) => LEFT + (i / (count - 1)) * (WIDTH - LEFT - RIGHT);
  const y = (value) => 10 + (1 - (value - low) / (high - low || 1)) * (height - 45);
  const line = (row, style) => path(row.map((value, i) => [x(i), y(value)]), style);
  const middle = Array.from({ length: count }, (_, i) => {
    const column = trace.rows.map((row) => row[i]).sort((a, b) => a - b);
    return column[column.length >> 1];
  });
  const zero = x(-trace.start_s / trace.step_s);
  const end_s = trace.start_s + trace.step_s * (count - 1);
  return figure(height, `The signal round each act${name ? `, in ${unit(name)}` : ""}: thin lines are single acts, the thick one their median; the dashed line is the act`, [
    svg("line", { x1: zero, x2: zero, y1: 5, y2: height - 32, class: "threshold" }),
    ...trace.rows.map((row) => line(row, "row")),
    line(middle, "middle"),
    words(LEFT - 6, 18, number(high, 2), "end"),
    words(LEFT - 6, height - 34, number(low, 2), "end"),
    words(LEFT, height - 12, `${number(trace.start_s, 2)} s`, "start"),
    words(zero, height - 12, "the act"),
    words(WIDTH - RIGHT, height - 12, `${number(end_s, 2)} s`, "end"),
  ]);
}

function sizes({ acts, others, threshold, unit: name }) {
  const height = 130;
  const values = [...acts, ...others, ...(threshold ? [threshold] : [])].filter((value) => value > 0);
  const [low, high] = [Math.log(Math.min(...values)) - 0.05, Math.log(Math.max(...values)) + 0.05];
  const x = (value) => LEFT + ((Math.log(value) - low) / (high - low || 1)) * (WIDTH - LEFT - RIGHT);
  const middle = 56;
  const tick = (from, to, style) => (value) => svg("line", { x1: x(value), x2: x(value), y1: from, y2: to, class: style });
  const parts = [
    svg("line", { x1: LEFT, x2: WIDTH - RIGHT, y1: middle, y2: middle, class: "axis" }),
    ...acts.filter((value) => value > 0).map(tick(middle - 32, middle - 2, "acts")),
    ...others.filter((value) => value > 0).map(tick(middle + 2, middle + 32, "others")),
    words(LEFT - 6, middle - 12, "acts", "end"),
    words(LEFT - 6, middle + 22, "others", "end"),
    words(LEFT, height - 8, number(Math.exp(low), 2), "start"),
    words(WIDTH - RIGHT, height - 8, number(Math.exp(high), 2), "end"),
  ];
  if (threshold) {
    const at = x(threshold);
    parts.push(svg("line", { x1: at, x2: at, y1: 8, y2: height - 34, class: "threshold" }));
    parts.push(words(Math.min(WIDTH - 90, Math.max(LEFT + 60, at)), height - 20, `threshold ${number(threshold)}`));
  }
  return figure(height, `Sizes${name ? ` in ${unit(name)}` : ""}, logarithmic: ${acts.length} acts above the line, ${others.length} others like them below`, parts);
}

function tradeOff({ curve, chosen, setting }) {
  const height = 200;
  const most = Math.max(0.5, ...curve.map((point) => point[2]));
  const x = (rate) => LEFT + (rate / most) * (WIDTH - LEFT - RIGHT);
  const y = (rate) => 12 + (1 - rate) * (height - 56);
  const parts = [
    path([[LEFT, 12], [LEFT, height - 44], [WIDTH - RIGHT, height - 44]], "axis"),
    path(curve.map(([, hit, wrong]) => [x(wrong), y(hit)]), "row"),
    ...curve.map(([, hit, wrong]) => svg("circle", { cx: x(wrong), cy: y(hit), r: 3, class: "acts" })),
    words(LEFT - 14, 18, "100 %", "end"),
    words(LEFT - 14, height - 42, "0 %", "end"),
    words(LEFT, height - 26, "0"),
    words(WIDTH - RIGHT, height - 26, number(most, 2), "end"),
    words((LEFT + WIDTH) / 2, height - 8, "false activations a minute"),
  ];
  if (typeof chosen === "number") {
    const [, hit, wrong] = curve.reduce((a, b) => (Math.abs(b[0] - chosen) < Math.abs(a[0] - chosen) ? b : a));
    parts.push(svg("rect", { x: x(wrong) - 7, y: y(hit) - 7, width: 14, height: 14, class: "chosen", transform: `rotate(45 ${x(wrong)} ${y(hit)})` }));
  }
  return figure(height, `Share of acts found against false activations for each value of ${setting.replaceAll("_", " ")}; the diamond is the one that was chosen`, parts);
}
