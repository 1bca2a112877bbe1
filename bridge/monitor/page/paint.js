// Draws the picture on the canvas. Time goes left to right on one axis for all lanes.
import { ticks } from "./scale.js";
import { COARSE } from "./series.js";
import * as words from "./words.js";

const NAMES = ["card", "ink", "quiet", "line", "trace", "view", "band", "act", "act-paper", "hold"];
const GUTTER = 58; // for the values at the left of each lane
const STRIP = 13; // at a detector's foot: what goes on for a while
const TOP = 16; // of a detector's lane, for the names of what it decided
const FONT = "12px system-ui, sans-serif";

export class Painter {
  constructor(canvas) {
    this.canvas = canvas;
    this.pen = canvas.getContext("2d");
    this.colours = {};
    this.readColours();
    this.seen = new Set(); // ids of the events and actions in the picture that was drawn last
  }

  readColours() {
    const style = getComputedStyle(document.documentElement);
    for (const name of NAMES) this.colours[name] = style.getPropertyValue(`--${name}`).trim();
  }

  resize(width, height) {
    const ratio = Math.min(2, devicePixelRatio || 1);
    this.width = width;
    this.height = height;
    this.ratio = ratio;
    this.canvas.width = Math.round(width * ratio);
    this.canvas.height = Math.round(height * ratio);
    this.canvas.style.width = `${width}px`;
    this.canvas.style.height = `${height}px`;
  }

  // view: { from, to, reading (s or null), chosen (lane or null) }; visible: the part on the screen, [top, bottom]
  draw(lanes, entries, byId, view, visible) {
    if (!lanes.length) return;
    const { pen } = this;
    this.seen.clear();
    this.begin(lanes[0].box, view);
    this.timeGrid(lanes, view);
    for (const lane of lanes) {
      const { y, h } = lane.box;
      if (lane.type === "actions" || y + h < visible[0] || y > visible[1]) continue;
      const foot = lane.type === "detector" ? STRIP : 0;
      const head = lane.type === "detector" ? TOP : 0;
      this.mapping(lane, y + head + 3, h - head - foot - 6);
      this.valueWords(lane);
      pen.save();
      pen.beginPath();
      pen.rect(this.left, y, this.right - this.left, h);
      pen.clip();
      if (lane.type === "channel") this.channel(lane, view);
      else this.detector(lane, entries, view);
      pen.restore();
    }
    this.actions(lanes, entries, byId, view);
    if (view.reading !== null) this.reading(lanes, view);
  }

  // An empty sheet whose time axis lies in a box.
  begin({ x, w }, view) {
    const { pen } = this;
    pen.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    pen.clearRect(0, 0, this.width, this.height);
    pen.font = FONT;
    pen.textBaseline = "middle";
    this.left = x + GUTTER;
    this.right = x + w;
    this.x = (time) => this.left + ((time - view.from) / (view.to - view.from)) * (w - GUTTER);
  }

  timeGrid(lanes, view) {
    const { pen, colours } = this;
    const wanted = Math.max(2, Math.floor((this.right - this.left) / 90));
    const { values } = ticks(view.from, view.to, wanted);
    const last = lanes.at(-1).box;
    pen.strokeStyle = colours.line;
    pen.fillStyle = colours.quiet;
    pen.lineWidth = 1;
    pen.textAlign = "center";
    for (const time of values) {
      const x = Math.round(this.x(time)) + 0.5;
      if (x < this.left || x > this.right) continue;
      for (const { box } of lanes) {
        pen.beginPath();
        pen.moveTo(x, box.y);
        pen.lineTo(x, box.y + box.h);
        pen.stroke();
      }
      const text = words.clock(time);
      if (x > this.left + 16 && x < this.right - 16) pen.fillText(text, x, last.y + last.h + 12);
    }
  }

  channel(lane, view) {
    this.valueGrid(lane);
    this.line(lane, view, this.colours.trace);
  }

  detector(lane, entries, view) {
    const { y, h } = lane.box;
    const { pen } = this;
    this.goingOn(lane, entries, view);
    pen.save();
    pen.beginPath();
    pen.rect(this.left, y + TOP, this.right - this.left, h - TOP - STRIP);
    pen.clip();
    this.band(lane, view);
    this.line(lane, view, this.colours.view);
    pen.restore();
    this.decisions(lane, entries);
  }

  mapping(lane, top, height) {
    const { low, high } = lane.scale;
    lane.y = (value) => top + height - ((value - low) / (high - low)) * height;
    lane.value = (y) => low + ((top + height - y) / height) * (high - low);
    lane.top = top;
    lane.height = height;
  }

  valueGrid(lane) {
    const { pen, colours } = this;
    const { low, high } = lane.scale;
    pen.strokeStyle = colours.line;
    pen.lineWidth = 1;
    for (const value of ticks(low, high, 4).values) {
      const y = Math.round(lane.y(value)) + 0.5;
      pen.beginPath();
      pen.moveTo(this.left, y);
      pen.lineTo(this.right, y);
      pen.stroke();
    }
  }

  valueWords(lane) {
    const { pen, colours } = this;
    const { low, high } = lane.scale;
    pen.textAlign = "right";
    pen.fillStyle = colours.quiet;
    let used = Infinity;
    for (const value of ticks(low, high, 4).values) {
      const y = Math.min(lane.top + lane.height - 5, Math.max(lane.top + 5, lane.y(value)));
      if (used - y < 15) continue;
      used = y;
      pen.fillText(words.short(value), this.left - 6, y);
    }
  }

  boxed(text, x, y, colour) {
    const { pen, colours } = this;
    pen.save();
    pen.globalAlpha = 0.82;
    pen.fillStyle = colours.card;
    const width = pen.measureText(text).width;
    const left = pen.textAlign === "right" ? x - width : x;
    pen.fillRect(left - 2, y - 7, width + 4, 14);
    pen.restore();
    pen.fillStyle = colour;
    pen.fillText(text, x, y);
  }

  // Calls to(x, low, high) for each step of a row; steps stand still in sample time, so nothing shimmers.
  walk(stream, row, view, step, broken) {
    const width = this.right - this.left;
    const from = stream.column(view.from);
    const to = stream.column(view.to);
    const exact = Math.max(1, Math.ceil((to - from) / (width * 1.5)));
    const group = exact < COARSE ? exact : Math.ceil(exact / COARSE) * COARSE;
    const first = Math.max(stream.first, Math.floor(from / group) * group);
    const end = Math.min(stream.end, Math.ceil(to) + group);
    for (let c = Math.ceil(first / group) * group; c < end; c += group) {
      const [least, most] = stream.scan(row, c, Math.min(c + group, end));
      if (least <= most) step(this.x(stream.time(c)), least, most);
      else broken?.();
    }
  }

  line(lane, view, colour) {
    const { pen } = this;
    const { y } = lane;
    pen.strokeStyle = colour;
    pen.lineWidth = 1.25;
    pen.lineJoin = "round";
    pen.beginPath();
    let on = false;
    this.walk(lane.stream, lane.row, view, (x, least, most) => {
      const a = y(most);
      const b = y(least);
      if (on) pen.lineTo(x, a);
      else pen.moveTo(x, a);
      if (a !== b) pen.lineTo(x, b);
      on = true;
    }, () => { on = false; });
    pen.stroke();
  }

  band(lane, view) {
    const { pen, colours } = this;
    const sides = [[lane.row + 1, true], [lane.row + 2, false]];
    const edges = sides.map(([row, upper]) => {
      const points = [];
      this.walk(lane.stream, row, view, (x, least, most) => points.push([x, lane.y(upper ? most : least)]), () => points.push(null));
      return points;
    });
    const [upper, lower] = edges;
    const floor = lane.top + lane.height + 3;
    pen.fillStyle = colours.band;
    const bottom = new Map(lower.filter(Boolean).map(([x, y]) => [x, y]));
    let run = [];
    const close = () => {
      if (run.length > 1) {
        pen.beginPath();
        run.forEach(([x, y], i) => (i ? pen.lineTo(x, y) : pen.moveTo(x, y)));
        for (const [x] of run.toReversed()) pen.lineTo(x, bottom.get(x) ?? floor);
        pen.fill();
      }
      run = [];
    };
    for (const point of upper) {
      if (point) run.push(point);
      else close();
    }
    close();
    pen.strokeStyle = colours.view;
    pen.lineWidth = 1;
    pen.setLineDash([5, 4]);
    for (const points of edges) {
      pen.beginPath();
      let on = false;
      for (const point of points) {
        if (point && on) pen.lineTo(...point);
        else if (point) pen.moveTo(...point);
        on = Boolean(point);
      }
      pen.stroke();
    }
    pen.setLineDash([]);
  }

  // What goes on for a while: a strip at the lane's foot, and a shade behind what the detector sees.
  goingOn(lane, entries, view) {
    const { pen, colours } = this;
    const { y, h } = lane.box;
    pen.textAlign = "left";
    for (const entry of this.mine(lane, entries)) {
      if (entry.edge !== "start") continue;
      const from = Math.max(this.left, this.x(entry.onset));
      const until = Math.min(this.right, this.x(entry.ended ?? view.newest));
      if (until <= this.left || from >= this.right) continue;
      const width = Math.max(2, until - from);
      pen.fillStyle = colours.hold;
      if (!entry.kind.startsWith("looking")) pen.fillRect(from, y + TOP, width, h - TOP - STRIP);
      pen.fillRect(from, y + h - STRIP, width - 1, STRIP);
      const name = entry.kind.startsWith("looking") ? words.event(entry) : "";
      if (name && pen.measureText(name).width + 8 < width) {
        pen.fillStyle = colours.ink;
        pen.fillText(name, from + 4, y + h - STRIP / 2);
      }
    }
  }

  mine(lane, entries) {
    return entries.filter((entry) => entry.is === "event" && entry.detector === lane.name);
  }

  // What a detector decided: a bracket from onset to decision, a stem into the lane, the name where it fits.
  decisions(lane, entries) {
    const { pen, colours } = this;
    const { y, h } = lane.box;
    const top = y + 8;
    let free = -Infinity;
    pen.textAlign = "left";
    for (const entry of this.mine(lane, entries)) {
      const onset = this.x(entry.onset);
      const decided = this.x(entry.decided);
      if (decided < this.left - 200 || onset > this.right) continue;
      if (decided >= this.left && decided <= this.right) this.seen.add(entry.id);
      // A gaze shift is marked itself; the state it leads to is in the strip.
      if (entry.edge === "end" || entry.kind.startsWith("looking")) continue;
      pen.strokeStyle = colours.ink;
      pen.lineWidth = 1.5;
      pen.beginPath();
      pen.moveTo(onset, top + 11);
      pen.lineTo(onset, top + 6);
      pen.lineTo(decided, top + 6);
      pen.lineTo(decided, y + h - STRIP);
      pen.stroke();
      if (onset > free) {
        const name = words.event(entry);
        pen.fillStyle = colours.ink;
        pen.fillText(name, onset + 1, top - 1);
        free = onset + pen.measureText(name).width + 10;
      }
    }
  }

  actions(lanes, entries, byId, view) {
    const { pen, colours } = this;
    const lane = lanes.at(-1);
    if (lane?.type !== "actions") return;
    const { y, h } = lane.box;
    const rows = Math.max(1, Math.floor((h - 6) / 22));
    const used = Array(rows).fill(-Infinity);
    const byDetector = new Map(lanes.filter((l) => l.type === "detector").map((l) => [l.name, l]));
    pen.save();
    pen.beginPath();
    pen.rect(this.left, 0, this.right - this.left, y + h);
    pen.clip();
    for (const entry of entries) {
      if (entry.is !== "action") continue;
      const x = this.x(entry.at);
      if (x < this.left - 240 || x > this.right) continue;
      this.seen.add(entry.id);
      const went = entry.result === "sent" || entry.result === "shown";
      const text = went ? entry.words : `${entry.words} · ${entry.result}`;
      const width = pen.measureText(text).width + 12;
      let row = used.findIndex((end) => x > end + 3);
      const fits = row >= 0;
      if (!fits) row = used.indexOf(Math.min(...used));
      const top = y + 4 + 22 * row;
      const cause = entry.cause === null ? null : byId.get(entry.cause);
      const from = cause && byDetector.get(cause.detector);
      if (from) this.thread(this.x(cause.decided), from.box.y + from.box.h, x, top);
      if (!fits || entry.level) {
        pen.fillStyle = colours.act;
        pen.fillRect(x, y + h - 7, 2, 7);
        continue;
      }
      used[row] = x + width;
      pen.beginPath();
      pen.roundRect(x + 0.5, top + 0.5, width, 18, 4);
      pen.fillStyle = went ? colours["act-paper"] : colours.card;
      pen.fill();
      pen.strokeStyle = colours.act;
      pen.lineWidth = 1.25;
      if (!went) pen.setLineDash([3, 3]);
      pen.stroke();
      pen.setLineDash([]);
      pen.fillStyle = colours.act;
      pen.textAlign = "left";
      pen.fillText(text, x + 6, top + 10);
    }
    pen.restore();
  }

  thread(x0, y0, x1, y1) {
    const { pen, colours } = this;
    pen.save();
    pen.strokeStyle = colours.act;
    pen.lineWidth = 1.5;
    pen.setLineDash([1.5, 3.5]);
    pen.beginPath();
    pen.moveTo(x0, y0);
    pen.lineTo(x0, y1 - 8);
    pen.lineTo(x1 + 0.5, y1);
    pen.stroke();
    pen.restore();
  }

  reading(lanes, view) {
    const { pen, colours } = this;
    const x = Math.round(this.x(view.reading)) + 0.5;
    const last = lanes.at(-1).box;
    pen.strokeStyle = colours.ink;
    pen.lineWidth = 1;
    pen.beginPath();
    pen.moveTo(x, lanes[0].box.y);
    pen.lineTo(x, last.y + last.h);
    pen.stroke();
    const right = x > (this.left + this.right) / 2;
    pen.textAlign = right ? "right" : "left";
    const at = right ? x - 6 : x + 6;
    for (const lane of lanes) {
      const text = valueAt(lane, view.reading);
      if (text) this.boxed(text, at, lane.box.y + (lane.type === "detector" ? TOP + 9 : 9), colours.ink);
    }
    this.boxed(words.clock(view.reading), at, last.y + last.h - 9, colours.ink);
  }
}

// The value of a lane at a moment, in words; empty where there is none.
export function valueAt(lane, time) {
  if (lane.type === "actions") return "";
  const { stream, row } = lane;
  const column = Math.floor(stream.column(time) + 0.5);
  if (column < stream.first || column >= stream.end) return "";
  const low = stream.low(row, column);
  const high = stream.high(row, column);
  if (!Number.isFinite(low)) return "";
  const value = words.number(low) === words.number(high) ? words.number(low) : `${words.number(low)} to ${words.number(high)}`;
  if (lane.type === "channel") return `${value} ${lane.unit}`;
  const upper = stream.high(row + 1, column);
  return Number.isFinite(upper) ? `${value}, threshold ${words.number(upper)}` : value;
}
