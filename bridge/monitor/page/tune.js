// Try settings on the last two minutes; the daemon runs the same detector over them again.
import { Painter } from "./paint.js";
import { Scale } from "./scale.js";
import { Stream } from "./series.js";
import { isMain, SettingRow, tunable } from "./settings.js";
import * as words from "./words.js";

const WAIT_MS = 120;
const MOST_CHANGES = 30;
const ROW = 22; // height of a row of events
const $ = (id) => document.getElementById(id);

export class Tune {
  constructor(send, goTo) {
    this.send = send;
    this.goTo = goTo;
    this.painter = new Painter($("tune-canvas"));
    this.detectors = [];
    this.rows = [];
    this.past = [];
    this.number = 0;
    this.answer = null;
    this.stream = null;
    $("tune-detector").onchange = () => this.pick();
    $("tune-again").onclick = () => this.ask(true);
    $("tune-undo").onclick = () => this.undo();
    $("tune-keep").onclick = () => this.keep();
    $("tune-form").onsubmit = (event) => event.preventDefault();
    new ResizeObserver(() => this.draw()).observe($("tune-plot"));
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { this.painter.readColours(); this.draw(); });
  }

  layout(hello) {
    this.hello = hello;
    this.detectors = hello.streams.flatMap((s) => s.detectors.map((detector) => ({ stream: s.name, detector })));
    $("tune-link").hidden = !hello.control || !this.detectors.length;
    $("tune-detector").replaceChildren(...this.detectors.map(({ stream, detector }, i) => {
      const option = words.element("option", "", [detector.name, stream].filter(Boolean).join(", "));
      option.value = i;
      return option;
    }));
    this.current = null;
    if (!$("tune").hidden) this.show();
  }

  // The view was opened: take what is there now.
  show() {
    if (!this.detectors.length) return;
    if (this.current === null) this.pick();
    else this.ask(true);
  }

  pick() {
    this.current = this.detectors[Number($("tune-detector").value)];
    this.past = [];
    this.answer = this.stream = null;
    this.build();
    this.ask(true);
  }

  build() {
    const { settings } = this.current.detector;
    this.rows = Object.entries(settings)
      .filter(([name, value]) => tunable(name, value))
      .map(([name, value]) => new SettingRow(name, value, null, (v, final) => this.changed(name, v, final)));
    $("tune-main").replaceChildren(...this.rows.filter((r) => isMain(r.name)).map((r) => r.item));
    const more = this.rows.filter((r) => !isMain(r.name));
    $("tune-more").hidden = !more.length;
    $("tune-more").lastElementChild.replaceChildren(...more.map((r) => r.item));
    this.settled = this.values();
    $("tune-said").textContent = this.hello.can_keep ? "" : "There is no profile to keep settings in: start with --profile.";
    this.buttons();
  }

  values() { return Object.fromEntries(this.rows.map((row) => [row.name, row.value])); }

  changed(name, value, final) {
    if (final && this.settled[name] !== value) {
      this.past.push({ values: this.settled });
      this.settled = this.values();
    }
    this.buttons();
    clearTimeout(this.later);
    this.later = setTimeout(() => this.ask(false), WAIT_MS);
  }

  touched() { return Object.fromEntries(this.rows.filter((r) => r.value !== r.initial).map((r) => [r.name, r.value])); }

  buttons() {
    $("tune-undo").disabled = !this.past.length;
    $("tune-keep").disabled = !this.hello.can_keep || !Object.keys(this.touched()).length;
  }

  undo() {
    const step = this.past.pop();
    if (!step) return;
    for (const row of this.rows) row.show(step.values[row.name]);
    this.settled = this.values();
    if (step.kept) this.send({ type: "keep", detector: this.current.detector.name, settings: step.kept });
    this.buttons();
    this.ask(false);
  }

  keep() {
    const settings = this.touched();
    const before = Object.fromEntries(Object.keys(settings).map((name) => [name, this.current.detector.settings[name]]));
    if (this.send({ type: "keep", detector: this.current.detector.name, settings })) {
      this.past.push({ values: { ...this.settled, ...before }, kept: before });
    }
    this.buttons();
  }

  kept({ detector, settings }) {
    for (const entry of this.detectors) if (entry.detector.name === detector) Object.assign(entry.detector.settings, settings);
    if (this.current?.detector.name !== detector) return;
    for (const row of this.rows) {
      if (row.name in settings) {
        // A value that is being moved stays where it is.
        const value = row.value === row.initial ? settings[row.name] : row.value;
        row.initial = settings[row.name];
        row.show(value);
      }
    }
    this.settled = this.values();
    $("tune-said").textContent = "Kept in the profile and in use from now on.";
    this.buttons();
    this.ask(false);
  }

  refused(reason) {
    $("tune-said").textContent = reason;
    this.explained = true;
    if (this.past.at(-1)?.kept) this.past.pop();
    this.buttons();
  }

  ask(fresh) {
    if (!this.current || $("tune").hidden) return;
    this.number += 1;
    if (fresh) $("tune-sum").textContent = "Reading the last two minutes …";
    this.send({
      type: "tune", id: this.number, fresh, stream: this.current.stream, detector: this.current.detector.name,
      settings: this.touched(),
    });
  }

  answered(answer) {
    if (answer.id !== this.number) return;
    if (answer.error) {
      $("tune-said").textContent = answer.error;
      this.explained = true;
      return;
    }
    if (this.explained) $("tune-said").textContent = "";
    this.explained = false;
    this.answer = answer;
    const { before, after } = answer;
    const gone = before.filter((e) => e.changed);
    const added = after.filter((e) => e.changed);
    const same = !gone.length && !added.length;
    $("tune-sum").textContent = `${Math.round(answer.seconds)} s. As it is: ${count(before)}. `
      + (same ? "With this: the same." : `With this: ${count(after)}, ${gone.length} gone and ${added.length} new.`);
    $("tune-marks").hidden = ![...before, ...after].some((e) => e.kind === "blink");
    const changes = [...gone.map((e) => [e, "would be gone"]), ...added.map((e) => [e, "would be new"])]
      .sort((a, b) => a[0].decided - b[0].decided);
    $("tune-changes").replaceChildren(...changes.slice(0, MOST_CHANGES).map(([event, said]) => {
      const item = words.element("li");
      const jump = words.element("button", "jump", words.clock(event.decided));
      jump.type = "button";
      jump.setAttribute("aria-label", `Show ${words.event(event)} at ${words.clock(event.decided)} in the picture`);
      jump.onclick = () => this.goTo(event.decided);
      item.append(jump, `${words.event(event)} ${said}`);
      return item;
    }));
  }

  view(section) {
    if (section.epoch !== this.number || !this.answer) return;
    this.stream = new Stream({
      name: "", rate_hz: this.answer.per_second, per_column: 1, parts: section.parts, length: Math.max(1, section.count),
      channels: [], detectors: [{}],
    }, 0);
    this.stream.append({ ...section, epoch: 0 });
    this.suggest();
    this.draw();
  }

  // Where a learnt threshold stands: the middle of what the detector compared with.
  suggest() {
    const gaps = [];
    for (let c = this.stream.first; c < this.stream.end; c++) {
      const upper = this.stream.high(1, c);
      const lower = this.stream.low(2, c);
      if (Number.isFinite(upper)) gaps.push(Number.isFinite(lower) && lower > -0.9 * upper ? upper - lower : upper);
    }
    gaps.sort((a, b) => a - b);
    const middle = gaps[gaps.length >> 1];
    for (const row of this.rows) {
      if (!isMain(row.name)) continue;
      const guess = row.name.startsWith("deliberate") ? this.betweenBlinks() : middle;
      if (guess > 0) row.suggest(Number(guess.toPrecision(3)));
    }
  }

  // Between the largest spontaneous blink and the smallest deliberate one.
  betweenBlinks() {
    const sizes = (deliberate) => this.answer.before.filter((e) => e.values.deliberate === deliberate && e.values.amplitude > 0).map((e) => e.values.amplitude);
    const [spontaneous, meant] = [sizes(0), sizes(1)];
    if (spontaneous.length && meant.length) return (Math.max(...spontaneous) + Math.min(...meant)) / 2;
    if (meant.length) return 0.8 * Math.min(...meant);
    return spontaneous.length ? 1.3 * Math.max(...spontaneous) : 0;
  }

  draw() {
    const { painter, stream, answer } = this;
    const frame = $("tune-plot");
    if (!stream || !frame.clientWidth) return;
    painter.resize(frame.clientWidth, frame.clientHeight);
    const { pen, colours } = painter;
    const lane = { type: "detector", stream, row: 0, unit: "", scale: new Scale(), box: { x: 0, y: 2 * ROW, w: painter.width, h: painter.height - 2 * ROW - 24 } };
    const view = { from: stream.oldest, to: stream.newest, newest: stream.newest, reading: null };
    const ranges = [0, 1, 2].map((row) => stream.range(row, view.from, view.to + 1)).filter(Boolean);
    if (!ranges.length) return;
    lane.scale.follow([Math.min(...ranges.map((r) => r[0])), Math.max(...ranges.map((r) => r[1]))], 1, true);
    painter.begin(lane.box, view);
    painter.timeGrid([lane], view);
    painter.mapping(lane, lane.box.y + 3, lane.box.h - 6);
    painter.valueWords(lane);
    pen.save();
    pen.beginPath();
    pen.rect(painter.left, lane.box.y, painter.right - painter.left, lane.box.h);
    pen.clip();
    painter.band(lane, view);
    painter.line(lane, view, colours.view);
    pen.restore();
    [["as it is", answer.before, "–"], ["with this", answer.after, "+"]].forEach(([name, events, sign], i) => {
      const middle = ROW * i + ROW / 2;
      pen.textAlign = "right";
      pen.fillStyle = colours.quiet;
      pen.fillText(name, painter.left - 6, middle);
      for (const event of events) {
        const x = painter.x(event.decided);
        pen.strokeStyle = event.changed ? colours.act : colours.ink;
        pen.lineWidth = event.changed ? 3 : 1.5;
        pen.beginPath();
        pen.moveTo(x, middle - 8);
        pen.lineTo(x, middle + 8);
        pen.stroke();
        const meant = event.kind === "blink" ? event.values.deliberate ?? "unknown" : 0;
        if (meant) diamond(pen, x, middle, meant === 1 ? pen.strokeStyle : colours.card);
        if (!event.changed) continue;
        pen.fillStyle = colours.act;
        pen.textAlign = "left";
        pen.fillText(sign, x + (meant ? 9 : 4), middle);
      }
    });
  }
}

// Filled for a deliberate blink, open for one of which it is not known: told by shape, not by colour alone.
function diamond(pen, x, y, fill) {
  pen.beginPath();
  pen.moveTo(x, y - 6);
  pen.lineTo(x + 6, y);
  pen.lineTo(x, y + 6);
  pen.lineTo(x - 6, y);
  pen.closePath();
  pen.fillStyle = fill;
  pen.fill();
  pen.lineWidth = 1.5;
  pen.stroke();
}

function count(events) {
  const kinds = new Map();
  for (const event of events) {
    const name = words.event(event);
    kinds.set(name, (kinds.get(name) ?? 0) + 1);
  }
  return [...kinds].map(([name, n]) => `${n} × ${name}`).join(", ") || "nothing";
}
