// Numbers and names as people read them.

const UNITS = { uV: "µV", mV: "mV", count: "counts" };
const KINDS = {
  eeg: "EEG",
  "eog-horizontal": "horizontal EOG",
  "eog-vertical": "vertical EOG",
  emg: "EMG",
  "emg-envelope": "EMG envelope",
  ecg: "ECG",
};
const RESULTS = {
  sent: "sent",
  shown: "shown only",
  disarmed: "not sent: disarmed",
  paused: "not sent: paused",
  refused: "refused",
};

export const unit = (name) => UNITS[name] ?? name;
export const kind = (name) => KINDS[name] ?? name;
export const result = (name) => RESULTS[name] ?? name;

export function event(entry) {
  const name = entry.kind.replaceAll("-", " ");
  return entry.values?.deliberate === 1 ? `deliberate ${name}` : name;
}

export function edge(entry) {
  return entry.edge === "instant" ? event(entry) : `${event(entry)} ${entry.edge}s`;
}

export function number(value, digits = 3) {
  if (!Number.isFinite(value)) return "–";
  const size = Math.abs(value);
  if (size !== 0 && (size >= 1e6 || size < 1e-3)) return value.toExponential(1).replace("-", "−");
  return Number(value.toPrecision(digits)).toLocaleString("en", { maximumFractionDigits: 4 }).replace("-", "−");
}

// For an axis: short enough for its margin.
export function short(value) {
  const size = Math.abs(value);
  if (size >= 1e6) return `${number(value / 1e6)} M`;
  if (size >= 1e4) return `${number(value / 1e3)} k`;
  return number(value);
}

export function clock(seconds) {
  const sign = seconds < 0 ? "−" : "";
  const s = Math.abs(seconds);
  const minutes = Math.floor(s / 60);
  return `${sign}${minutes}:${(s - 60 * minutes).toFixed(1).padStart(4, "0")}`;
}

export function ago(seconds) {
  return seconds < 0.15 ? "now" : `${seconds.toFixed(1)} s ago`;
}

export function element(tag, className, text) {
  const made = document.createElement(tag);
  if (className) made.className = className;
  if (text !== undefined) made.textContent = text;
  return made;
}
