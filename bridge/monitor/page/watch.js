// The picture and what moves it: live or frozen, span, scales, the reading line, keys.
import { Clock } from "./clock.js";
import { Journal } from "./journal.js";
import { makeLanes, measure } from "./lanes.js";
import { Painter, valueAt } from "./paint.js";
import { Stream } from "./series.js";
import * as words from "./words.js";

const SPANS_S = [2, 5, 10, 20, 60, 120];
const MARGIN_S = 0.5; // a still picture is this far ahead of now when it turns over
const LEAST_PIXELS = 0.25; // a smaller shift is not worth a new picture
const STILL_EVERY_MS = 100; // how often a still picture is filled up
const $ = (id) => document.getElementById(id);

export class Watch {
  constructor() {
    this.streams = [];
    this.lanes = [];
    this.journal = new Journal();
    this.clock = new Clock();
    this.painter = new Painter($("canvas"));
    this.span = matchMedia("(max-width: 600px)").matches ? 5 : 10;
    this.frozenAt = null; // right edge of a frozen picture, s
    this.readingAt = null;
    this.chosen = 0;
    this.view = { from: 0, to: 1, reading: null, newest: 0 };
    this.frames = 0;
    this.dirty = true;
    this.still = matchMedia("(prefers-reduced-motion: reduce)");
    this.wire();
    this.lastMs = performance.now();
    requestAnimationFrame((ms) => this.frame(ms));
  }

  layout(streamInfos) {
    this.streams = streamInfos.map((info, place) => new Stream(info, place));
    this.journal.clear();
    this.lanes = makeLanes(this.streams, $("lanes"));
    this.frozenAt = this.readingAt = null;
    this.clock = new Clock();
    $("lane-choice").replaceChildren(
      ...this.lanes.filter((lane) => lane.type !== "actions").map((lane) => {
        const option = words.element("option", "", lane.type === "detector" ? `${lane.name} (detector)` : lane.name);
        option.value = lane.index;
        return option;
      }),
    );
    this.choose(0);
    this.resize();
  }

  resume() {
    return {
      epochs: this.streams.map((s) => s.epoch),
      columns: this.streams.map((s) => s.end),
      log: this.journal.last,
    };
  }

  append(section) {
    this.streams[section.stream]?.append(section);
    const newest = this.newest;
    this.clock.heard(newest, performance.now());
    if (!$("empty").hidden) $("empty").hidden = true;
  }

  get newest() { return this.streams.reduce((t, s) => (s.empty ? t : Math.max(t, s.newest)), 0); }
  get oldest() { return this.streams.reduce((t, s) => (s.empty ? t : Math.min(t, s.oldest)), this.newest); }

  // The picture

  resize() {
    const plot = $("plot");
    measure(this.lanes, plot);
    this.painter.resize(plot.clientWidth, plot.clientHeight);
    this.dirty = true;
  }

  frame(ms) {
    requestAnimationFrame((next) => this.frame(next));
    const seconds = Math.min(0.2, (ms - this.lastMs) / 1000);
    this.lastMs = ms;
    if (!this.streams.length || $("watch").hidden || this.newest === 0) return;
    const live = this.clock.at(ms);
    const to = this.frozenAt ?? this.rightEdge(live);
    const { view } = this;
    const settled = this.lanes.every((lane) => !lane.scale.moving);
    const pixels = ((to - view.to) / this.span) * this.painter.width;
    if (!this.dirty && settled && Math.abs(pixels) < LEAST_PIXELS && this.readingAt === view.reading) {
      if (!this.still.matches || this.frozenAt !== null || ms - this.drawnMs < STILL_EVERY_MS) return;
    }
    this.drawnMs = ms;
    this.dirty = false;
    view.to = to;
    view.from = to - this.span;
    view.newest = live;
    if (this.frozenAt !== null && view.from < this.oldest) {
      // What was kept moves on: a frozen picture stays inside of it.
      this.frozenAt = Math.min(this.newest, this.oldest + this.span);
      view.to = this.frozenAt;
      view.from = view.to - this.span;
    }
    view.reading = this.readingAt;
    const box = $("plot").getBoundingClientRect();
    const visible = [-box.top, innerHeight - box.top];
    for (const lane of this.lanes) {
      if (lane.box.y + lane.box.h > visible[0] && lane.box.y < visible[1]) this.fit(lane, seconds);
    }
    this.painter.draw(this.lanes, this.journal.between(view.from, view.to), this.journal.byId, view, visible);
    this.frames++;
    if (this.frozenAt !== null) this.sayMoment();
  }

  // Gliding, or for people who asked for less motion: a page that fills and turns over.
  rightEdge(live) {
    if (!this.still.matches) return live;
    const step = this.span - MARGIN_S;
    return Math.ceil(live / step) * step + (live % step === 0 ? step : 0);
  }

  fit(lane, seconds) {
    if (lane.type === "actions") return;
    const { from, to } = this.view;
    let range = lane.stream.range(lane.row, from, to);
    if (range && lane.type === "detector") {
      for (const row of [lane.row + 1, lane.row + 2]) {
        const more = lane.stream.range(row, from, to);
        if (more) range = [Math.min(range[0], more[0]), Math.max(range[1], more[1])];
      }
    }
    lane.scale.follow(range, seconds, this.still.matches);
  }

  // Steering

  wire() {
    $("span").append(...SPANS_S.map((s) => {
      const option = words.element("option", "", s < 60 ? `${s} s` : `${s / 60} min`);
      option.value = s;
      return option;
    }));
    $("span").value = this.span;
    $("span").onchange = () => { this.span = Number($("span").value); this.dirty = true; };
    $("freeze").onclick = () => this.freeze(this.frozenAt === null);
    $("moment").oninput = () => this.goTo(this.newest + Number($("moment").value));
    $("lane-choice").onchange = () => this.choose(Number($("lane-choice").value));
    $("smaller").onclick = () => this.zoom(1.4);
    $("larger").onclick = () => this.zoom(1 / 1.4);
    $("fit").onclick = () => this.fitChosen();
    const plot = $("plot");
    plot.onkeydown = (event) => this.key(event);
    plot.onpointermove = (event) => this.point(event);
    plot.onpointerleave = () => { if (!this.dragged) { this.readingAt = null; this.dirty = true; } };
    plot.onpointerdown = (event) => this.drag(event);
    plot.onclick = (event) => {
      const lane = this.lanes.find((l) => l.item.contains(event.target));
      if (lane && lane.type !== "actions") this.choose(lane.index);
    };
    new ResizeObserver(() => this.resize()).observe(plot);
    for (const query of ["(prefers-color-scheme: dark)", "(forced-colors: active)"]) {
      matchMedia(query).addEventListener("change", () => { this.painter.readColours(); this.dirty = true; });
    }
    addEventListener("scroll", () => { this.dirty = true; }, { passive: true });
  }

  freeze(frozen) {
    this.frozenAt = frozen ? this.newest : null;
    if (!frozen) this.readingAt = null;
    this.sayMoment();
    this.dirty = true;
  }

  goTo(time) {
    if (!this.streams.length) return;
    if (time >= this.newest - 0.01) { this.freeze(false); return; }
    this.frozenAt = Math.max(Math.min(this.oldest + this.span, this.newest), time);
    this.sayMoment();
    this.dirty = true;
  }

  sayMoment() {
    const frozen = this.frozenAt !== null;
    const button = $("freeze");
    if ((button.getAttribute("aria-pressed") === "true") !== frozen) {
      button.setAttribute("aria-pressed", String(frozen));
      button.textContent = frozen ? "Go live" : "Freeze";
      $("plot").classList.toggle("frozen", frozen);
    }
    const back = frozen ? Math.max(0, this.newest - this.frozenAt) : 0;
    const said = frozen ? words.ago(back) : "live";
    if ($("moment-words").textContent !== said) {
      $("moment-words").textContent = said;
      $("moment").setAttribute("aria-valuetext", said);
    }
    if (document.activeElement !== $("moment") || !frozen) $("moment").value = -back;
  }

  choose(index) {
    const lane = this.lanes[index];
    if (!lane || lane.type === "actions") return;
    this.lanes[this.chosen]?.item.classList.remove("chosen");
    this.chosen = index;
    lane.item.classList.add("chosen");
    $("lane-choice").value = index;
    this.saidScale();
  }

  saidScale() { $("fit").setAttribute("aria-pressed", String(this.lanes[this.chosen]?.scale.fits ?? true)); this.dirty = true; }
  zoom(factor) { this.lanes[this.chosen]?.scale.zoom(factor); this.saidScale(); }
  fitChosen() { this.lanes[this.chosen]?.scale.fit(); this.saidScale(); }

  timeAt(event) {
    const { left, right } = this.painter;
    const x = event.clientX - $("plot").getBoundingClientRect().left;
    const share = (x - left) / (right - left);
    // Before anything is drawn there is no share: NaN is not a time either.
    return share >= 0 && share <= 1 ? this.view.from + share * this.span : null;
  }

  point(event) {
    if (this.dragged) return;
    this.readingAt = event.pointerType === "touch" ? null : this.timeAt(event);
    this.pointedX = event.clientX;
    this.dirty = true;
  }

  drag(event) {
    if (event.button !== 0 || event.pointerType === "touch" || this.timeAt(event) === null) return;
    const startX = event.clientX;
    const startTo = this.view.to;
    const perPixel = this.span / (this.painter.right - this.painter.left);
    const move = (moved) => {
      if (!this.dragged && Math.abs(moved.clientX - startX) < 4) return;
      this.dragged = true;
      this.goTo(Math.min(this.newest - 0.02, startTo - (moved.clientX - startX) * perPixel));
    };
    const stop = () => {
      removeEventListener("pointermove", move);
      removeEventListener("pointerup", stop);
      this.dragged = false;
    };
    addEventListener("pointermove", move);
    addEventListener("pointerup", stop);
  }

  key(event) {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const acts = {
      " ": () => this.freeze(this.frozenAt === null),
      ArrowLeft: () => this.moveReading(-1, event.shiftKey),
      ArrowRight: () => this.moveReading(1, event.shiftKey),
      PageUp: () => this.goTo((this.frozenAt ?? this.newest) - 0.8 * this.span),
      PageDown: () => this.goTo((this.frozenAt ?? this.newest) + 0.8 * this.span),
      Home: () => this.goTo(this.oldest),
      End: () => this.freeze(false),
      ArrowUp: () => this.step(-1),
      ArrowDown: () => this.step(1),
      "+": () => this.zoom(1 / 1.4),
      "=": () => this.zoom(1 / 1.4),
      "-": () => this.zoom(1.4),
      0: () => this.fitChosen(),
    };
    const act = acts[event.key];
    if (!act) return;
    event.preventDefault();
    act();
  }

  step(by) {
    const choices = this.lanes.filter((lane) => lane.type !== "actions");
    const at = choices.indexOf(this.lanes[this.chosen]);
    const next = choices[Math.max(0, Math.min(choices.length - 1, at + by))];
    if (next) this.choose(next.index);
    this.sayReading();
  }

  // The reading line by keyboard; at an edge the picture goes along.
  moveReading(direction, far) {
    if (this.frozenAt === null) this.freeze(true);
    const { from, to } = this.view;
    const step = direction * this.span * (far ? 0.05 : 0.005);
    const time = (this.readingAt ?? to) + step;
    if (time < from) this.goTo(to + step);
    else if (time > to) this.goTo(Math.min(this.newest - 0.02, to + step));
    this.readingAt = Math.max(this.oldest, Math.min(this.newest, time));
    this.dirty = true;
    this.sayReading();
  }

  sayReading() {
    const lane = this.lanes[this.chosen];
    if (!lane) return;
    clearTimeout(this.saying);
    this.saying = setTimeout(() => {
      const value = this.readingAt === null ? "" : valueAt(lane, this.readingAt);
      $("reading").textContent = value ? `${lane.name}: ${value} at ${words.clock(this.readingAt)}` : lane.name;
    }, 150);
  }
}
