// The last two minutes of one stream, in rings of fixed size: the browser's memory stays flat.

export const COARSE = 16; // columns in one step of the coarse rings, for long spans

export class Stream {
  constructor(info, place) {
    this.info = info;
    this.place = place;
    this.name = info.name;
    this.rows = info.channels.length + 3 * info.detectors.length;
    this.parts = info.parts;
    this.length = info.length;
    this.columnsPerSecond = info.rate_hz / info.per_column;
    this.rings = Array.from({ length: this.rows * this.parts }, () => new Float32Array(this.length));
    this.steps = Math.ceil(this.length / COARSE) + 1;
    this.coarseLow = Array.from({ length: this.rows }, () => new Float32Array(this.steps));
    this.coarseHigh = Array.from({ length: this.rows }, () => new Float32Array(this.steps));
    this.restart(0, 0);
  }

  restart(epoch, first) {
    this.epoch = epoch;
    this.first = first;
    this.end = first;
    this.start = 0;
    for (const ring of this.rings) ring.fill(NaN);
  }

  append(section) {
    if (section.rows !== this.rows || section.parts !== this.parts) return;
    if (section.epoch !== this.epoch || section.first < this.end) this.restart(section.epoch, section.first);
    if (this.end === this.first || section.first - this.end >= this.length) {
      this.restart(section.epoch, section.first);
    }
    this.start = section.start;
    const { count, values } = section;
    const changed = this.end; // after a restart this is where the section begins
    for (let r = 0; r < this.rings.length; r++) {
      const ring = this.rings[r];
      for (let c = this.end; c < section.first; c++) ring[c % this.length] = NaN;
      for (let k = 0; k < count; k++) ring[(section.first + k) % this.length] = values[r * count + k];
    }
    this.end = section.first + count;
    this.first = Math.max(this.first, this.end - this.length);
    for (let step = Math.floor(Math.max(changed, this.first) / COARSE); step * COARSE < this.end; step++) this.coarsen(step);
  }

  coarsen(step) {
    const from = Math.max(this.first, step * COARSE);
    const to = Math.min(this.end, (step + 1) * COARSE);
    for (let row = 0; row < this.rows; row++) {
      const [least, most] = this.scanFine(row, from, to);
      this.coarseLow[row][step % this.steps] = least;
      this.coarseHigh[row][step % this.steps] = most;
    }
  }

  // Least and greatest value in columns [from, to), which must be kept: (Infinity, -Infinity) where there is none.
  scan(row, from, to) {
    const first = Math.ceil(from / COARSE);
    // The newest steps are still being filled, the oldest one is being overwritten.
    const last = Math.min(Math.floor(to / COARSE), Math.floor(this.end / COARSE) - 1);
    if (last <= first) return this.scanFine(row, from, to);
    let [least, most] = this.scanFine(row, from, first * COARSE);
    const low = this.coarseLow[row];
    const high = this.coarseHigh[row];
    for (let step = first; step < last; step++) {
      const at = step % this.steps;
      if (low[at] < least) least = low[at];
      if (high[at] > most) most = high[at];
    }
    const [restLeast, restMost] = this.scanFine(row, last * COARSE, to);
    return [Math.min(least, restLeast), Math.max(most, restMost)];
  }

  scanFine(row, from, to) {
    const low = this.rings[row * this.parts];
    const high = this.rings[row * this.parts + this.parts - 1];
    let least = Infinity;
    let most = -Infinity;
    for (let c = from; c < to; c++) {
      const at = c % this.length;
      if (low[at] < least) least = low[at];
      if (high[at] > most) most = high[at];
    }
    return [least, most];
  }

  get empty() { return this.end === this.first; }
  time(column) { return this.start + column / this.columnsPerSecond; }
  column(time) { return (time - this.start) * this.columnsPerSecond; }
  get newest() { return this.time(this.end - 1); }
  get oldest() { return this.time(this.first); }

  low(row, column) { return this.rings[row * this.parts][column % this.length]; }
  high(row, column) { return this.rings[row * this.parts + this.parts - 1][column % this.length]; }

  // Least and greatest value of a row between two times; null where there is none.
  range(row, from, to) {
    const a = Math.max(this.first, Math.floor(this.column(from)));
    const b = Math.min(this.end, Math.ceil(this.column(to)));
    const [least, most] = this.scan(row, a, b);
    return least <= most ? [least, most] : null;
  }
}
