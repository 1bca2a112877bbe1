// Joins the connection to the views.
import { Calibrate } from "./calibrate.js";
import { parse, SIGNAL, TRIAL } from "./frames.js";
import { Happened } from "./happened.js";
import { Link, takeToken } from "./link.js";
import { showHealth, showLevels, showOpen, showSignal, showState } from "./panel.js";
import { showFired, showRules } from "./rules.js";
import { Tune } from "./tune.js";
import { Watch } from "./watch.js";

const $ = (id) => document.getElementById(id);

const token = takeToken();

export const watch = new Watch();
const goTo = (time) => {
  location.hash = "#watch";
  showView();
  watch.goTo(Math.min(watch.newest - 0.02, time + watch.span / 2));
  $("plot").focus();
};
const happened = new Happened(goTo);
const tune = new Tune((message) => link.send(message), goTo);
const calibrate = new Calibrate((message) => link.send(message));
let hello = null;
let now = null;

function heard(message) {
  if (message.type === "hello") {
    hello = message;
    watch.layout(message.streams);
    tune.layout(message);
    calibrate.layout(message);
    happened.clear();
    showCautions();
    $("levels").replaceChildren();
    $("cautions").replaceChildren(...message.cautions.map((text) => {
      const item = document.createElement("li");
      item.textContent = `${text[0].toUpperCase()}${text.slice(1)}.`;
      return item;
    }));
    $("source").textContent = message.streams.map((s) => [s.name, `${s.channels.length} ${s.channels.length === 1 ? "channel" : "channels"} at ${s.rate_hz} Hz`].filter(Boolean).join(": ")).join(" · ") || "no source yet";
  } else if (message.type === "now" && hello) {
    now = message;
    showState(now, hello.dry_run, hello.control);
    showLevels(message.levels);
    showSignal(watch.streams, watch.lanes, message.signal);
    showHealth(message, watch.streams);
    showFired(message.fired);
    showOpen(watch.journal);
  } else if (message.type === "log") {
    watch.journal.add(message.entries);
    watch.dirty = true;
    happened.add(message.entries);
  } else if (message.type === "rules") {
    showRules(message);
  } else if (message.type === "calibration") {
    calibrate.show(message);
  } else if (message.type === "tuned") {
    tune.answered(message);
  } else if (message.type === "kept") {
    tune.kept(message);
  } else if (message.type === "refused") {
    if (!$("tune").hidden) tune.refused(message.reason);
    else if (!$("calibrate").hidden) calibrate.say(message.reason);
    else notice(message.reason);
  }
}

function notice(words) {
  $("notice").textContent = words;
  $("notice").hidden = !words;
}

export const link = new Link(
  token,
  {
    open: () => notice(""),
    text: heard,
    binary: (buffer) => {
      for (const section of parse(buffer)) {
        if (section.kind === SIGNAL) watch.append(section);
        else if (section.kind === TRIAL) tune.view(section);
      }
    },
    down: (words) => {
      notice(words);
      now = null;
      showState(now, hello?.dry_run ?? false, hello?.control ?? false);
    },
  },
  () => (hello ? { boot: hello.boot, layout: hello.layout, ...watch.resume() } : {}),
);

$("stop").onclick = () => link.send({ type: "pause", paused: now?.state !== "paused" });
$("arm").onclick = () => link.send({ type: "arm", armed: !now?.armed });
addEventListener("keydown", (event) => {
  // Escape only ever stops: it never resumes.
  if (event.key === "Escape" && hello?.control) link.send({ type: "pause", paused: true });
});

// Once read they are gone for this session of the daemon, and come back with the next.
function showCautions() {
  let read = null;
  try { read = sessionStorage.getItem("cautions-read"); } catch { /* storage may be off: then they stay */ }
  $("body-words").textContent = hello.body;
  $("body").hidden = !hello.body || read === String(hello.boot);
}
$("body-read").onclick = () => {
  try { sessionStorage.setItem("cautions-read", String(hello.boot)); } catch { /* they come back */ }
  $("body").hidden = true;
  $("main").focus();
};

function showView() {
  const views = ["watch", "rules", "tune", "calibrate"];
  const wanted = views.includes(location.hash.slice(1)) ? location.hash.slice(1) : "watch";
  const was = $(wanted).hidden;
  for (const name of views) $(name).hidden = name !== wanted;
  for (const anchor of document.querySelectorAll("nav a")) {
    const here = anchor.hash === `#${wanted}`;
    if (here) anchor.setAttribute("aria-current", "page");
    else anchor.removeAttribute("aria-current");
    if (here) document.title = `${anchor.firstChild.textContent} · biosignal-bridge`;
  }
  if (wanted === "watch") watch.resize();
  if (wanted === "tune" && (was || !tune.current)) tune.show();
}
addEventListener("hashchange", showView);
showView();
