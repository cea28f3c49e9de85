// The decimal sign of the reader's language, in what the sheets say. What a person wrote, names,
// addresses and versions stay as they are, and so does all that is typed.

const sign = new Intl.NumberFormat(navigator.language, { numberingSystem: "latn" })
  .formatToParts(1.5)
  .find((part) => part.type === "decimal").value;

// A figure with a point that stands by itself: not in 192.168.0.7, 0.4.0, 3.jpg or x1.5, but in "1/2.5".
const FIGURE = /(?<=(?:^|[^\p{L}\p{N}])1\/|(?<![\p{L}\p{N}_.,:/@#]-?))(\d+)\.(\d+)(?![\p{L}\p{N}_]|[.:/@-][\p{L}\p{N}])/gu;
const ALONE = "code, kbd, pre, samp, script, style, time, textarea, input, select, [translate=no], .hand:not(.num)";

// Names that hold such a figure, wherever they stand in a sentence.
function names() {
  const said = document.querySelector("meta[name=named]")?.content;
  return said ? JSON.parse(said) : [];
}

export function localised(text, kept = names()) {
  if (sign === "." || !text.includes(".")) return text;
  const found = kept.find((name) => text.includes(name));
  if (found === undefined) return text.replace(FIGURE, `$1${sign}$2`);
  const [before, ...after] = text.split(found);
  return [before, ...after].map((part) => localised(part, kept.filter((name) => name !== found))).join(found);
}

function show() {
  if (sign === ".") return;
  const kept = names();
  for (const part of document.querySelectorAll("main, #title-block")) {
    const walk = document.createTreeWalker(part, NodeFilter.SHOW_TEXT);
    while (walk.nextNode()) {
      const node = walk.currentNode;
      if (!node.data.includes(".") || node.parentElement.closest(ALONE)) continue;
      const words = localised(node.data, kept);
      if (words !== node.data) node.data = words;
    }
    for (const labelled of part.querySelectorAll("[aria-label*='.']")) {
      if (!labelled.closest(ALONE)) labelled.setAttribute("aria-label", localised(labelled.getAttribute("aria-label"), kept));
    }
  }
}

document.addEventListener("changed-in-place", show);
show();
