// One input row for each number among a detector's settings.
import { element, number } from "./words.js";

const STEPS = 400;
const RANGE = 8; // a slider reaches from an eighth of the value to eight times it

export const title = (name) => {
  const unit = /_(ms|s|hz|uv)$/.exec(name);
  const units = { ms: "ms", s: "s", hz: "Hz", uv: "µV" };
  const bare = (unit ? name.slice(0, -unit[0].length) : name).replaceAll("_", " ");
  return (bare[0].toUpperCase() + bare.slice(1)) + (unit ? ` (${units[unit[1]]})` : "");
};

// Numbers that lie on a scale; a polarity is a sign and belongs to calibration.
export const tunable = (name, value) => !name.includes("polarity") && (value === null || typeof value === "number");
export const isMain = (name) => /threshold|fraction/.test(name);

export class SettingRow {
  // guess: where a value that is learnt stands now, or null; changed(value, final)
  constructor(name, value, guess, changed) {
    this.name = name;
    this.initial = value;
    this.mayLearn = value === null;
    this.changed = changed;
    this.around = value || guess || 1;
    this.item = element("div", "setting");
    this.item.dataset.setting = name;
    const id = `setting-${name}`;
    const label = element("label", "name", title(name));
    label.htmlFor = id;
    const row = element("div", "row");
    this.slider = element("input");
    Object.assign(this.slider, { type: "range", id, min: 0, max: STEPS, step: 1 });
    this.box = element("input");
    Object.assign(this.box, { type: "number", step: "any" });
    this.box.setAttribute("aria-label", `${title(name)}, as a number`);
    row.append(this.slider, this.box);
    this.item.append(label, row);
    if (this.mayLearn) {
      const learnt = element("label", "learnt");
      this.learn = element("input");
      this.learn.type = "checkbox";
      learnt.append(this.learn, "learnt from you");
      this.learn.onchange = () => this.set(this.learn.checked ? null : this.around, true);
      this.item.append(learnt);
    }
    this.slider.oninput = () => this.set(this.fromSlider(), false);
    this.slider.onchange = () => this.set(this.fromSlider(), true);
    this.box.onchange = () => {
      const typed = this.box.valueAsNumber;
      if (Number.isFinite(typed)) this.set(typed, true);
    };
    this.show(value);
  }

  get linear() { return /fraction/.test(this.name); }

  fromSlider() {
    const share = Number(this.slider.value) / STEPS;
    const value = this.linear ? 0.01 + 0.98 * share : (this.around / RANGE) * RANGE ** (2 * share);
    return Number(value.toPrecision(3));
  }

  toSlider(value) {
    if (this.linear) return Math.round((STEPS * (value - 0.01)) / 0.98);
    if (!(value > 0)) return 0;
    return Math.round((STEPS * (Math.log(value / this.around) / Math.log(RANGE) + 1)) / 2);
  }

  set(value, final) {
    this.show(value);
    this.changed(value, final);
  }

  show(value) {
    this.value = value;
    const shown = value ?? this.around;
    this.slider.value = this.toSlider(shown);
    this.slider.setAttribute("aria-valuetext", value === null ? `learnt, now about ${number(shown)}` : number(shown));
    this.box.value = value === null ? "" : shown;
    this.box.placeholder = value === null ? `≈ ${number(shown)}` : "";
    if (this.learn) this.learn.checked = value === null;
    this.item.classList.toggle("touched", value !== this.initial);
  }

  // A learnt value became known.
  suggest(guess) {
    if (this.value !== null || !(guess > 0)) return;
    this.around = guess;
    this.show(null);
  }
}
