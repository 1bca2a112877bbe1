// The packed binary frame: see frames.py. Sections one after the other, little-endian.

export const SIGNAL = 1;
export const TRIAL = 2;
const VERSION = 1;
const HEADER = 32;

export function parse(buffer) {
  const data = new DataView(buffer);
  const sections = [];
  let at = 0;
  while (at + HEADER <= data.byteLength) {
    if (data.getUint8(at) !== VERSION) throw new Error("The page is older than the program: reload it.");
    const section = {
      kind: data.getUint8(at + 1),
      stream: data.getUint16(at + 2, true),
      epoch: data.getUint32(at + 4, true),
      first: data.getFloat64(at + 8, true),
      start: data.getFloat64(at + 16, true),
      count: data.getUint32(at + 24, true),
      rows: data.getUint16(at + 28, true),
      parts: data.getUint16(at + 30, true),
    };
    const values = section.rows * section.parts * section.count;
    section.values = new Float32Array(buffer, at + HEADER, values);
    sections.push(section);
    at += HEADER + 4 * values;
  }
  return sections;
}
