// The rows of the picture: a channel, below it the detectors that read it, last the actions.
import { element, kind, unit } from "./words.js";
import { Scale } from "./scale.js";

export function makeLanes(streams, list) {
  list.replaceChildren();
  const lanes = [];
  const several = streams.length > 1;
  for (const stream of streams) {
    const { channels, detectors } = stream.info;
    channels.forEach((channel, column) => {
      lanes.push({
        type: "channel", stream, row: column, column, name: channel.name, unit: unit(channel.unit),
        small: [kind(channel.kind), unit(channel.unit), several ? stream.name : ""].filter(Boolean).join(" · "),
      });
      detectors.forEach((detector, place) => {
        if (detector.columns[0] !== column) return;
        lanes.push({
          type: "detector", stream, row: channels.length + 3 * place, column, detector,
          name: detector.name, unit: "",
          small: detector.columns.length > 1 ? `detector on ${detector.columns.length} channels` : "detector",
        });
      });
    });
  }
  if (streams.length) lanes.push({ type: "actions", name: "actions", small: "what the rules sent" });
  for (const [index, lane] of lanes.entries()) {
    lane.index = index;
    lane.scale = new Scale();
    lane.item = element("li", `lane ${lane.type}`);
    const label = element("div", "label");
    label.append(element("b", "", lane.name), element("span", "small", lane.small));
    if (lane.type === "channel") label.append((lane.verdict = element("span", "verdict")));
    lane.plot = element("div", "plot");
    lane.item.append(label, lane.plot);
    list.append(lane.item);
  }
  return lanes;
}

// Where each lane's plot lies in the canvas, in CSS pixels.
export function measure(lanes, frame) {
  const origin = frame.getBoundingClientRect();
  for (const lane of lanes) {
    const box = lane.plot.getBoundingClientRect();
    lane.box = { x: box.left - origin.left, y: box.top - origin.top, w: box.width, h: box.height };
  }
}
