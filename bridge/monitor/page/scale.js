// The range of values a lane shows: fits itself calmly, or stays as set by hand.

const MARGIN = 0.08;
const SHRINK_BELOW = 0.55; // a fitting range gives way only when the signal uses less of it than this
const EASE_S = 0.12;

export class Scale {
  constructor() {
    this.fits = true;
    this.low = -1;
    this.high = 1;
    this.goal = null;
  }

  // range: least and greatest value in view, or null
  follow(range, seconds, still) {
    if (!this.fits || !range) return;
    let [low, high] = range;
    if (high - low < 1e-9) {
      const pad = Math.max(1, Math.abs(high) * 0.1);
      low -= pad;
      high += pad;
    }
    const pad = MARGIN * (high - low);
    const outside = !this.goal || low < this.goal[0] || high > this.goal[1];
    if (outside || high - low < SHRINK_BELOW * (this.goal[1] - this.goal[0])) this.goal = [low - pad, high + pad];
    const first = this.low === -1 && this.high === 1;
    const share = first || still ? 1 : 1 - Math.exp(-seconds / EASE_S);
    this.low += share * (this.goal[0] - this.low);
    this.high += share * (this.goal[1] - this.high);
  }

  get moving() {
    if (!this.fits || !this.goal) return false;
    const span = this.goal[1] - this.goal[0];
    return Math.abs(this.low - this.goal[0]) + Math.abs(this.high - this.goal[1]) > 0.002 * span;
  }

  zoom(factor) {
    this.fits = false;
    const middle = (this.low + this.high) / 2;
    const half = ((this.high - this.low) / 2) * factor;
    this.low = middle - half;
    this.high = middle + half;
  }

  fit() {
    this.fits = true;
    this.goal = null;
  }
}

// About `count` round steps between two values.
export function ticks(low, high, count) {
  const raw = (high - low) / count;
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= raw);
  const found = [];
  for (let v = Math.ceil(low / step) * step; v <= high + step * 1e-9; v += step) found.push(Math.abs(v) < step * 1e-9 ? 0 : v);
  return { step, values: found };
}
