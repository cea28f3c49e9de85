// What a mouse, fingers and keys do to a drawing. `sheet` has: timeAt(x), point(t), leave(),
// show(since, until, done), nearer(factor, t), shift(part), back(), all(), step(by), line(by), end(last).

const WHEEL = 1.25; // times nearer or further, a notch

const KEYS = {
  ArrowLeft: (sheet, event) => sheet.step(event.shiftKey ? -10 : -1),
  ArrowRight: (sheet, event) => sheet.step(event.shiftKey ? 10 : 1),
  ArrowUp: (sheet) => sheet.line(-1),
  ArrowDown: (sheet) => sheet.line(1),
  Home: (sheet) => sheet.end(false),
  End: (sheet) => sheet.end(true),
  PageUp: (sheet) => sheet.shift(-0.5),
  PageDown: (sheet) => sheet.shift(0.5),
  "+": (sheet) => sheet.nearer(2),
  "=": (sheet) => sheet.nearer(2),
  "-": (sheet) => sheet.nearer(0.5),
  0: (sheet) => sheet.all(),
  Backspace: (sheet) => sheet.back(),
  Escape: (sheet) => sheet.leave(),
};

export function reach(root, sheet) {
  root.addEventListener("keydown", (event) => {
    const does = KEYS[event.key];
    if (!does || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    does(sheet, event);
  });
  root.addEventListener("wheel", (event) => {
    if (!event.ctrlKey) return; // without it the sheet is scrolled
    event.preventDefault();
    sheet.nearer(event.deltaY < 0 ? WHEEL : 1 / WHEEL, sheet.timeAt(event.clientX));
  }, { passive: false });
  fingers(root, sheet);
}

// One finger across reads, two draw the time apart or together and move it; up and down scrolls.
function fingers(root, sheet) {
  const down = new Map(); // by pointer, where it is
  let held = []; // the times under two fingers when they came down
  root.addEventListener("pointerdown", (event) => {
    if (event.pointerType !== "touch") return;
    down.set(event.pointerId, event.clientX);
    root.setPointerCapture(event.pointerId);
    held = down.size === 2 ? [...down.values()].map((x) => sheet.timeAt(x)) : [];
    if (down.size === 1) sheet.point(sheet.timeAt(event.clientX));
  });
  root.addEventListener("pointermove", (event) => {
    if (!down.has(event.pointerId)) return;
    down.set(event.pointerId, event.clientX);
    if (down.size === 1) sheet.point(sheet.timeAt(event.clientX));
    if (held.length !== 2) return;
    const [x1, x2] = down.values();
    if (Math.abs(x2 - x1) < 10) return;
    const box = root.getBoundingClientRect();
    const each = (held[1] - held[0]) / (x2 - x1); // ms a px, so that both times stay under their finger
    const since = held[0] - (x1 - box.left) * each;
    if (each > 0) sheet.show(since, since + box.width * each, false);
  });
  const up = (event) => {
    if (!down.delete(event.pointerId)) return;
    if (held.length === 2) sheet.show(null, null, true);
    held = [];
  };
  root.addEventListener("pointerup", up);
  root.addEventListener("pointercancel", up);
}
