// The routine on the page: the daemon says what is due, this shows and sounds it.
import { evidence } from "./evidence.js";
import { element } from "./words.js";

const $ = (id) => document.getElementById(`calibrate-${id}`);
const GOING = ["checking", "running", "between", "fitting"];
const still = matchMedia("(prefers-reduced-motion: reduce)");

export class Calibrate {
  constructor(send) {
    this.state = { phase: "idle", detectors: [] };
    this.cue = 0;
    $("form").onsubmit = (event) => {
      event.preventDefault();
      // A tone may only come after the person has done something.
      this.audio ??= "AudioContext" in window ? new AudioContext() : null;
      const detectors = [...document.querySelectorAll("#calibrate-detectors input:checked")].map((box) => box.value);
      if (!detectors.length) return this.say("Choose what to calibrate.");
      this.say("");
      send({
        type: "calibrate", detectors, few: $("few").checked, force: $("force").checked, slower: Number($("slower").value),
      });
    };
    for (const press of ["go", "repeat", "stop", "keep"]) $(press).onclick = () => send({ type: "calibration", press });
  }

  layout(hello) {
    const shown = hello.control && hello.calibration;
    $("link").hidden = !shown;
    this.cue = 0;
  }

  say(words) { $("said").textContent = words; }

  show(state) {
    const was = this.state.phase;
    this.choices(state.detectors);
    const going = GOING.includes(state.phase);
    $("form").hidden = going;
    $("run").hidden = !going;
    if (going) this.run(state, was);
    else if (GOING.includes(was) || was === "idle") this.end(state);
    if (state.phase === "kept" && was !== "kept") {
      this.say("Kept. The detectors work with it from now on.");
      $("keep").disabled = true;
    }
    $("force-row").hidden = !(state.check ?? []).some((item) => item.verdict === "bad");
    $("check").replaceChildren(...(going && state.phase !== "checking" ? [] : state.check ?? []).map((item) => {
      const line = element("li", item.verdict, `${item.channel}: ${item.verdict}${item.verdict === "good" ? "" : ` (${item.reason})`}. ${item.advice.join(" ")}`);
      return line;
    }));
    this.state = state;
  }

  choices(names) {
    if (names.join() === this.state.detectors.join()) return;
    $("detectors").replaceChildren(...names.map((name, i) => {
      const label = element("label");
      const box = element("input");
      box.type = "checkbox";
      box.value = name;
      box.checked = i === 0;
      label.append(box, ` ${name}`);
      return label;
    }));
  }

  run(state, was) {
    if (!GOING.includes(was)) {
      $("found").hidden = true;
      $("evidence").replaceChildren();
      if (!document.getElementById("calibrate").hidden) $("run").focus();
    }
    const fitting = state.phase === "fitting";
    const titles = { checking: "Signal check", fitting: "Working out the thresholds" };
    $("step").textContent = titles[state.phase] ?? `Step ${state.number} of ${state.of}`;
    $("instruction").textContent = state.phase === "checking" ? "Sit still" : fitting ? "You are done. This takes up to a minute." : state.instruction;
    const word = state.phase === "between" ? "Rest a moment" : state.word ?? "";
    if ($("word").textContent !== word) $("word").textContent = word;
    if ((state.cue ?? 0) > this.cue && was !== "idle") this.tone(word === "Let go");
    this.cue = state.cue ?? this.cue;
    if (fitting) $("progress").removeAttribute("value");
    else $("progress").value = state.done ?? 0;
    const left = state.seconds ? Math.max(0, Math.ceil(state.seconds * (1 - (state.done ?? 0)))) : 0;
    const said = fitting || state.phase === "between" ? "" : state.phase === "checking" ? `about ${Math.ceil(state.minutes)} min in all` : `${left} s left`;
    if (!still.matches || left % 5 === 0 || fitting) $("left").textContent = said;
    if ($("signal").textContent !== (state.signal ?? "")) $("signal").textContent = state.signal ?? "";
    $("go").disabled = state.phase !== "between";
    $("repeat").disabled = fitting || state.phase === "checking";
  }

  end(state) {
    const words = { failed: `No profile was made: ${state.words}`, stopped: `Ended early. ${state.words}` };
    this.say(words[state.phase] ?? "");
    const found = state.phase === "done" || state.phase === "kept" ? state.evidence : null;
    $("found").hidden = !found;
    if (!found) return;
    $("evidence").replaceChildren(...Object.entries(found).map(([name, part]) => evidence(name, part)));
    $("keep").disabled = state.phase === "kept";
    $("file").textContent = `The session is in ${state.recording}.${state.file ? ` The profile will be ${state.file}.` : ""}`;
    if (!document.getElementById("calibrate").hidden) $("found").focus();
  }

  tone(low) {
    if (!$("sound").checked || !this.audio) return;
    const start = this.audio.currentTime;
    const tone = this.audio.createOscillator();
    const loudness = this.audio.createGain();
    tone.frequency.value = low ? 392 : 587;
    loudness.gain.setValueAtTime(0, start);
    loudness.gain.linearRampToValueAtTime(0.25, start + 0.02);
    loudness.gain.linearRampToValueAtTime(0, start + 0.18);
    tone.connect(loudness).connect(this.audio.destination);
    tone.start(start);
    tone.stop(start + 0.2);
  }
}
