// Runs the firmware: its serial port is standard input and output (a pseudo-terminal), a test's
// wishes come as lines of JSON on another descriptor and are answered on a third.
// Arguments: the folder of the firmware, the two descriptors.

import fs from "node:fs";
import path from "node:path";
import { fileURLToPath } from "node:url";
import { loadMicroPython } from "@micropython/micropython-webassembly-pyscript";

const here = path.dirname(fileURLToPath(import.meta.url));
const firmware = process.argv[2];
const SERIAL = 0;
const OUT = 1;
const WISHES = Number(process.argv[3]);
const REPLIES = Number(process.argv[4]);
const sleeper = new Int32Array(new SharedArrayBuffer(4));
let serial = [];
let wishes = "";
let start = {}; // what the circuit is like when the power comes, and lines to end settings.py with

// Neither descriptor blocks, so that one thread can wait on the two.
function take(descriptor) {
  const room = Buffer.alloc(4096);
  try {
    const count = fs.readSync(descriptor, room);
    if (count === 0 && descriptor === WISHES) process.exit(0); // the test is gone
    return room.subarray(0, count);
  } catch (error) {
    if (error.code === "EAGAIN") return Buffer.alloc(0);
    throw error;
  }
}

function line() {
  wishes += take(WISHES).toString();
  const end = wishes.indexOf("\n");
  if (end < 0) return null;
  const wish = wishes.slice(0, end);
  wishes = wishes.slice(end + 1);
  return wish;
}

function reply(text) {
  fs.writeSync(REPLIES, `${text}\n`);
}

function wait(ms) {
  const until = Date.now() + ms;
  for (;;) {
    if (serial.length > 0) return "serial";
    const wish = line();
    if (wish !== null) return wish;
    serial.push(...take(SERIAL));
    if (serial.length > 0) return "serial";
    if (Date.now() >= until) return "";
    Atomics.wait(sleeper, 0, 0, 1);
  }
}

function copy(micropython, from, to) {
  micropython.FS.mkdirTree(to);
  for (const name of fs.readdirSync(from).filter((name) => name.endsWith(".py"))) {
    micropython.FS.writeFile(`${to}/${name}`, fs.readFileSync(path.join(from, name)));
  }
}

for (;;) {
  serial = [];
  const micropython = await loadMicroPython({
    linebuffer: false,
    stdin: () => (serial.length > 0 ? serial.shift() : null),
    stdout: (data) => fs.writeSync(OUT, data),
    stderr: (data) => fs.writeSync(2, data),
  });
  const begun = start;
  micropython.registerJsModule("wires", {
    wait,
    reply,
    begun: () => JSON.stringify(begun.set ?? {}),
    restart: (wish) => { start = JSON.parse(wish); },
  });
  copy(micropython, here, "/bench/frontend");
  copy(micropython, firmware, "/firmware");
  const settings = fs.readFileSync(path.join(firmware, "settings.py"), "utf8");
  micropython.FS.writeFile("/firmware/settings.py", settings + (begun.settings ?? ""));
  try {
    micropython.runPython(`
import sys
sys.path[:] = ["/bench", "/firmware"]
import frontend.hardware
import main
`);
    // The firmware gave the board over to its prompt; only a power cycle brings it back.
    let wish = null;
    while ((wish = line()) === null) Atomics.wait(sleeper, 0, 0, 1);
    start = JSON.parse(wish).restart;
    reply("{}");
  } catch (error) {
    // A power cut ends the program so; anything else is a fault of the firmware.
    if (!String(error).includes("SystemExit")) {
      fs.writeSync(2, `${error}\n`);
      process.exit(1);
    }
    if (start === begun) delete start.set?.cut_after; // the power fails once
  }
}
