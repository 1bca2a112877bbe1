// The same events and actions as a list: for reading, for screen readers, and to jump to a moment.
import { clock, edge, element, result } from "./words.js";

const MOST = 60;
const MOST_BEATS = 20;
const $ = (id) => document.getElementById(id);

export class Happened {
  constructor(goTo) {
    this.goTo = goTo;
    this.items = new Map(); // event id -> its item
    this.waiting = [];
    this.planned = false;
    const choice = $("happened-show");
    choice.onchange = () => { $("happened").dataset.show = choice.value; };
    choice.onchange();
  }

  clear() {
    this.items.clear();
    $("happened").replaceChildren();
    $("happened-empty").hidden = false;
  }

  add(entries) {
    this.waiting.push(...entries.filter((entry) => !(entry.is === "action" && entry.level)));
    this.waiting.splice(0, this.waiting.length - 3 * MOST);
    if (this.planned) return;
    this.planned = true;
    setTimeout(() => this.write(), 50);
  }

  write() {
    this.planned = false;
    const list = $("happened");
    // A reader's place in the list is not pulled away under the pointer or the focus.
    const away = list.contains(document.activeElement) || list.matches(":hover");
    if (away) {
      this.planned = true;
      setTimeout(() => this.write(), 400);
      return;
    }
    for (const entry of this.waiting.splice(0)) {
      if (entry.is === "event") list.prepend(this.event(entry));
      else this.action(entry, list);
    }
    // Heartbeats come most often; they must not push the rest out.
    this.trim([...list.querySelectorAll("li[data-kind='heartbeat']")], MOST_BEATS);
    this.trim([...list.children], MOST);
    if (list.children.length) $("happened-empty").hidden = true;
  }

  trim(items, most) {
    for (const item of items.slice(most)) {
      this.items.delete(Number(item.dataset.id));
      item.remove();
    }
  }

  event(entry) {
    const item = element("li");
    item.dataset.id = entry.id;
    item.dataset.kind = entry.kind;
    const jump = element("button", "jump", clock(entry.decided));
    jump.type = "button";
    jump.setAttribute("aria-label", `Show ${edge(entry)} at ${clock(entry.decided)} in the picture`);
    jump.onclick = () => this.goTo(entry.decided);
    const said = element("span", "what", edge(entry));
    item.append(jump, said);
    const after = Math.round(1000 * (entry.decided - entry.onset));
    item.append(element("span", "quiet", [entry.channel, `decided ${after} ms after its onset`, entry.note].filter(Boolean).join(" · ")));
    this.items.set(entry.id, item);
    return item;
  }

  action(entry, list) {
    const line = element("span", "did");
    line.append(element("b", "", entry.words), ` ${result(entry.result)}, by the rule “${entry.rule}”`);
    line.dataset.result = entry.result;
    const item = this.items.get(entry.cause);
    if (item) item.append(line);
    else {
      const alone = element("li");
      alone.dataset.id = entry.id;
      alone.append(element("span", "jump", clock(entry.time)), line);
      list.prepend(alone);
    }
  }
}
