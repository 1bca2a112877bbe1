// Beside the picture and above it: state, levels, signal, timing.
import { element, number } from "./words.js";
import * as words from "./words.js";

const $ = (id) => document.getElementById(id);
// What the daemon cannot say itself; all other states come with their words.
const ENDED = { state: "ended", name: "ended", meaning: "the program has stopped" };
const LOST = { state: "lost", name: "no connection", meaning: "what is sent is not known" };
const LEVELS = {
  "contraction-level": { name: "Contraction", from: 0, to: 1, say: (v) => `${Math.round(100 * v)} %` },
  "heart-rate": { name: "Heart rate", from: 40, to: 180, say: (v) => `${Math.round(v)} a minute` },
  "gaze-angle": { name: "Gaze", from: -40, to: 40, say: (v) => `${number(v, 2)}°` },
  "alpha-level": { name: "Alpha", from: 0, to: 1, say: (v) => `${Math.round(100 * v)} %` },
};

// `now` is the daemon's last word, or null when there is no connection.
export function showState(now, dryRun, control) {
  const { state: word, name, meaning } = now === null ? LOST : now.ended ? ENDED : now;
  const armed = now?.armed ?? false;
  const box = $("state");
  const seen = JSON.stringify([word, name, meaning, armed, dryRun]);
  if (box.dataset.seen === seen) return;
  box.dataset.seen = seen;
  box.dataset.state = word;
  box.querySelector(".word").textContent = `${name[0].toUpperCase()}${name.slice(1)}`;
  box.querySelector(".meaning").textContent = meaning;
  const known = word !== "lost" && word !== "ended";
  const stop = $("stop");
  stop.hidden = !control;
  stop.disabled = !known;
  stop.querySelector("span").textContent = word === "paused" ? "Resume sending" : "Stop sending";
  stop.querySelector("kbd").hidden = word === "paused";
  const arm = $("arm");
  arm.hidden = !control || dryRun || now?.can_arm === false;
  arm.disabled = !known || word === "paused";
  arm.textContent = armed ? "Disarm keystrokes" : "Arm keystrokes";
}

export function showLevels(levels) {
  const box = $("levels");
  const several = new Map();
  for (const level of levels) several.set(level.kind, (several.get(level.kind) ?? 0) + 1);
  for (const level of levels) {
    const key = `${level.kind}|${level.detector}|${level.channel}`;
    const form = LEVELS[level.kind] ?? { name: level.kind, from: 0, to: 1, say: number };
    let row = [...box.children].find((child) => child.dataset.key === key);
    if (!row) {
      row = element("div", "level");
      row.dataset.key = key;
      const name = several.get(level.kind) > 1 ? `${form.name}, ${level.detector || level.channel}` : form.name;
      const bar = element("div", "bar");
      bar.append(element("i"));
      bar.setAttribute("role", "meter");
      bar.setAttribute("aria-label", name);
      bar.setAttribute("aria-valuemin", form.from);
      bar.setAttribute("aria-valuemax", form.to);
      row.append(element("span", "", name), element("b"), bar);
      box.append(row);
    }
    const bar = row.querySelector(".bar");
    const said = form.say(level.value);
    const share = Math.max(0, Math.min(1, (level.value - form.from) / (form.to - form.from)));
    row.querySelector("b").textContent = said;
    bar.setAttribute("aria-valuenow", Math.max(form.from, Math.min(form.to, level.value)));
    bar.setAttribute("aria-valuetext", said);
    bar.firstChild.style.width = `${100 * share}%`;
  }
  if (!levels.length && !box.children.length) box.append(element("p", "quiet none", "None yet."));
  else if (levels.length) box.querySelector(".none")?.remove();
}

export function showOpen(journal) {
  const said = [...journal.open.values()].map(words.event);
  const text = said.length ? `Going on: ${said.join(", ")}` : "";
  if ($("open-states").textContent !== text) $("open-states").textContent = text;
}

const VERDICTS = { good: ["●", "good"], fair: ["◐", "fair"], poor: ["◐", "poor"], bad: ["✕", "bad"], unknown: ["…", "not judged yet"] };

export function showSignal(streams, lanes, signal) {
  const list = $("signal");
  const rows = signal.flatMap((verdicts, place) => verdicts.map((v, column) => [streams[place], column, v]));
  const seen = JSON.stringify(signal);
  if (list.dataset.seen === seen) return;
  list.dataset.seen = seen;
  list.replaceChildren(...rows.map(([stream, column, { verdict, reason, advice }]) => {
    const [sign, word] = VERDICTS[verdict] ?? ["·", verdict];
    const item = element("li", `verdict-${verdict}`);
    const head = element("p", "head");
    const mark = element("span", "sign", sign);
    mark.setAttribute("aria-hidden", "true");
    head.append(mark, element("b", "", stream.info.channels[column].name), ` ${word}${reason ? `: ${reason}` : ""}`);
    item.append(head);
    if (advice.length) {
      item.append(element("p", "advice", advice[0]));
      if (advice.length > 1) {
        const more = element("details", "advice");
        const steps = element("ul");
        steps.append(...advice.slice(1).map((step) => element("li", "", step)));
        more.append(element("summary", "", "What else helps"), steps);
        item.append(more);
      }
    }
    const lane = lanes.find((l) => l.type === "channel" && l.stream === stream && l.column === column);
    if (lane) {
      lane.verdict.className = `verdict verdict-${verdict}`;
      lane.verdict.textContent = `${sign} ${word}`;
    }
    return item;
  }));
  if (!rows.length) list.replaceChildren(element("li", "quiet", "Not judged yet."));
}

export function showHealth(now, streams) {
  const rate = streams.map((stream, place) => {
    const measured = now.measured_hz[place];
    const name = streams.length > 1 ? `${stream.name}: ` : "";
    return `${name}${number(stream.info.rate_hz, 4)} Hz${measured ? `, measured ${number(measured, 4)}` : ""}`;
  });
  const rows = [
    ["Latency, sample to action", now.latency_median_ms === null ? "nothing sent yet" : `${number(now.latency_median_ms, 2)} ms median, ${number(now.latency_p99_ms, 2)} ms in 99 of 100`],
    ["Sampling rate", rate.join("; ")],
    ["Lost samples", String(now.lost_samples)],
  ];
  if (now.recording_problem) rows.push(["Recording", `ended early: ${now.recording_problem}`]);
  if (now.skipped_lines) rows.push(["Lines not understood", String(now.skipped_lines)]);
  const list = $("health");
  if (list.children.length !== 2 * rows.length) {
    list.replaceChildren(...rows.flatMap(() => [element("dt"), element("dd")]));
  }
  rows.forEach(([name, value], i) => {
    list.children[2 * i].textContent = name;
    if (list.children[2 * i + 1].textContent !== value) list.children[2 * i + 1].textContent = value;
  });
}
