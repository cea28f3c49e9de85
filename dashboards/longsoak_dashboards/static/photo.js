// Goes from photo to photo by the arrow keys, and back to the entry by Escape.

const KEYS = { ArrowLeft: "prev", ArrowRight: "next", Escape: "up" };

document.addEventListener("keydown", (event) => {
  if (event.altKey || event.ctrlKey || event.metaKey || event.shiftKey) return;
  const link = KEYS[event.key] && document.querySelector(`.turn a[rel=${KEYS[event.key]}]`);
  if (!link) return;
  event.preventDefault();
  location.assign(link.href);
});
