// Events and actions of the last two minutes.

const KEEP_S = 130;
const MOST = 3000;

export class Journal {
  constructor() { this.clear(); }

  clear() {
    this.entries = [];
    this.byId = new Map();
    this.last = 0;
    this.open = new Map(); // states that have started and not ended
  }

  add(entries) {
    for (const entry of entries) {
      entry.at = entry.is === "event" ? entry.decided : entry.time;
      this.entries.push(entry);
      this.byId.set(entry.id, entry);
      this.last = entry.id;
      if (entry.is === "event") this.follow(entry);
    }
    const newest = this.entries.at(-1)?.at ?? 0;
    let drop = Math.max(0, this.entries.length - MOST);
    while (drop < this.entries.length && this.entries[drop].at < newest - KEEP_S) drop++;
    for (const entry of this.entries.splice(0, drop)) this.byId.delete(entry.id);
  }

  follow(event) {
    const key = `${event.detector}|${event.kind}|${event.channel}`;
    if (event.edge === "start") this.open.set(key, event);
    if (event.edge === "end") {
      const start = this.open.get(key);
      if (start) {
        start.ended = event.onset;
        event.started = start.onset;
      }
      this.open.delete(key);
    }
  }

  between(from, to) {
    return this.entries.filter((entry) => entry.at >= from - 1 && (entry.onset ?? entry.at) <= to);
  }
}
