// Runs the program in MicroPython's own interpreter (its WebAssembly port) with machine.py in the place of a
// board. Arguments: the interpreter's module, and a JSON file that says what is connected:
//   program, machine: paths          pins: names of the pins   wave, wave_hz: their readings, 16 bits each
//   end_us: when to stop             hard_timers: can they     commands: [[us, text], …]
//   late_us: {tick: µs, or -1}       stalls: [[from, to] µs]   port: a serial port in real time, else stdout
import fs from "node:fs";
import { pathToFileURL } from "node:url";

const [interpreter, description] = process.argv.slice(2);
const { loadMicroPython } = await import(pathToFileURL(interpreter));
const board = JSON.parse(fs.readFileSync(description, "utf8"));
const bytes = fs.readFileSync(board.wave);
const wave = new Uint16Array(bytes.buffer, bytes.byteOffset, bytes.length / 2);
const rows = wave.length / board.pins.length;
const { O_RDWR, O_NOCTTY, O_NONBLOCK } = fs.constants;
const port = board.port ? fs.openSync(board.port, O_RDWR | O_NOCTTY | O_NONBLOCK) : null;
const begun = performance.now();
const cell = new Int32Array(new SharedArrayBuffer(4));
const sent = [];

function sleep(ms) {
  Atomics.wait(cell, 0, 0, ms);
}

function writeAll(data) {
  for (let at = 0; at < data.length; ) {
    try {
      at += fs.writeSync(port, data, at);
    } catch (error) {
      if (error.code !== "EAGAIN") throw error;
      sleep(1);
    }
  }
}

const outside = {
  hard_timers: board.hard_timers,
  end_us: board.end_us,
  converter(pin, us) {
    const row = Math.floor((us * board.wave_hz) / 1e6) % rows;
    return wave[row * board.pins.length + board.pins.indexOf(pin)];
  },
  late: (tick) => board.late_us[tick] ?? 0,
  stalled_until: (us) => board.stalls.find(([from, to]) => from <= us && us < to)?.[1] ?? 0,
  wait(us) {
    if (port === null) return;
    const rest = us / 1000 - (performance.now() - begun);
    if (rest > 0) sleep(rest);
  },
  read(us) {
    if (port === null) {
      const due = board.commands.length && board.commands[0][0] <= us;
      return due ? board.commands.shift()[1] : "";
    }
    const data = Buffer.alloc(64);
    try {
      return data.toString("latin1", 0, fs.readSync(port, data));
    } catch (error) {
      if (error.code === "EAGAIN") return "";
      throw error;
    }
  },
  write(hexadecimal) {
    const data = Buffer.from(hexadecimal, "hex");
    if (port === null) sent.push(data);
    else writeAll(data);
  },
};

const python = await loadMicroPython({ stdout: (line) => console.error(line), linebuffer: true });
python.registerJsModule("outside", outside);
python.FS.writeFile("/machine.py", fs.readFileSync(board.machine));
python.FS.writeFile("/main.py", fs.readFileSync(board.program));
python.runPython(`
import sys, machine
modules = sys.modules
modules["time"], modules["sys"], modules["select"] = machine.Clock, machine.System, machine.Select
try:
    exec(open("/main.py").read(), {"__name__": "__main__"})
except machine.TimeIsUpError:
    pass
`);
if (port === null) fs.writeSync(1, Buffer.concat(sent));
