// Runs the firmware: its serial port is standard input and output (a pseudo-terminal), a test's
// wishes come as lines of JSON on descriptor 3 and are answered on descriptor 4.
// Arguments: the folder of the firmware.

import fs from "node:fs";
import path from "node:path";
import { loadMicroPython } from "@micropython/micropython-webassembly-pyscript";

const here = import.meta.dirname;
const firmware = process.argv[2];
const SERIAL = 0, OUT = 1, WISHES = 3, REPLIES = 4;
const sleeper = new Int32Array(new SharedArrayBuffer(4));
let serial = [];
let wishes = "";

// Both descriptors don't block, so that one thread can wait on the two.
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

function wait(ms) {
  const until = Date.now() + ms;
  for (;;) {
    if (serial.length > 0) return "serial";
    wishes += take(WISHES).toString();
    const end = wishes.indexOf("\n");
    if (end >= 0) {
      const wish = wishes.slice(0, end);
      wishes = wishes.slice(end + 1);
      return wish;
    }
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
  micropython.registerJsModule("wires", {
    wait,
    reply: (text) => fs.writeSync(REPLIES, `${text}\n`),
  });
  copy(micropython, here, "/bench/frontend");
  copy(micropython, firmware, "/firmware");
  try {
    micropython.runPython(`
import sys
sys.path[:] = ["/bench", "/firmware"]
import frontend.hardware
import main
`);
  } catch (error) {
    // A power cut ends the program so; anything else is a fault of the firmware.
    if (!String(error).includes("SystemExit")) fs.writeSync(2, `${error}\n`);
    if (!String(error).includes("SystemExit")) process.exit(1);
  }
}
