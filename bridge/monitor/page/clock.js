// Sample time as it runs on, frame by frame, so that traces glide between the packets that carry them.

const BEHIND_S = 0.035; // one packet late, so that there is always something to show
const SNAP_S = 0.6;

export class Clock {
  constructor() {
    this.offset = null;
    this.newest = 0;
  }

  heard(newest, nowMs) {
    const offset = newest - nowMs / 1000;
    if (this.offset === null || Math.abs(offset - this.offset) > SNAP_S || newest < this.newest) this.offset = offset;
    else this.offset += 0.08 * (offset - this.offset);
    this.newest = newest;
  }

  // The right edge of a live picture; it waits at the newest sample when none come.
  at(nowMs) {
    if (this.offset === null) return 0;
    return Math.min(this.newest, nowMs / 1000 + this.offset - BEHIND_S);
  }
}
