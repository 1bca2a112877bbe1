// The rules in force, in sentences, and how often each fired.
import { clock, element } from "./words.js";

const $ = (id) => document.getElementById(id);

export function showRules({ file, rules, problems, reaches }) {
  $("rules-reaches").hidden = reaches.length === 0;
  $("rules-reaches").querySelector("ul").replaceChildren(...reaches.map((line) => element("li", "", line)));
  $("rules-file").textContent = file ? `From ${file}` : "";
  $("rules-empty").hidden = rules.length > 0;
  $("rules-list").replaceChildren(...rules.map((rule) => {
    const item = element("li");
    item.dataset.rule = rule.name;
    item.append(element("h3", "", rule.name), element("p", "", rule.sentence), element("p", "fired quiet", "Has not fired yet."));
    return item;
  }));
  const box = $("rules-problems");
  box.hidden = problems.length === 0;
  $("rules-flag").hidden = problems.length === 0;
  box.querySelector("ul").replaceChildren(...problems.map((line) => element("li", "", line)));
}

export function showFired(fired) {
  for (const item of $("rules-list").children) {
    const found = fired[item.dataset.rule];
    if (!found) continue;
    const [count, last] = found;
    const said = `Fired ${count === 1 ? "once" : `${count} times`}, last at ${clock(last)}.`;
    const line = item.querySelector(".fired");
    if (line.textContent !== said) line.textContent = said;
  }
}
