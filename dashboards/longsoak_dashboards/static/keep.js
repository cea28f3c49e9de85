// Keeps what was written on a phone without a signal: an entry waits in the browser, over closing
// and opening it again, and is sent as soon as the rig answers. Without this script a form is sent
// the ordinary way, or not at all.

const PATIENCE = 8000; // ms for one attempt
const AGAIN = 5000; // ms between two attempts
const STORE = "entries";

let sending = false;

const time = (ms) => `${new Date(ms).toISOString().slice(11, 16)} UTC`;

function open() {
  return new Promise((resolve, reject) => {
    const asked = indexedDB.open("longsoak", 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore(STORE, { keyPath: "id", autoIncrement: true });
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
  });
}

async function inStore(mode, act) {
  const db = await open();
  try {
    const change = db.transaction(STORE, mode);
    const done = new Promise((resolve, reject) => {
      change.oncomplete = resolve;
      change.onerror = change.onabort = () => reject(change.error);
    });
    const asked = act(change.objectStore(STORE));
    await done; // on the disk, and not only asked for
    return asked.result;
  } finally {
    db.close();
  }
}

const all = () => inStore("readonly", (store) => store.getAll());

// What one attempt comes to: taken, refused for good (with why), or not now.
async function send(entry) {
  const waited = ["waited", String((Date.now() - entry.written) / 1000)];
  const fields = [...entry.fields, waited];
  const plain = entry.enctype === "application/x-www-form-urlencoded";
  const body = plain ? new URLSearchParams() : new FormData();
  for (const [name, value] of fields) body.append(name, value);
  try {
    const answer = await fetch(entry.action, {
      method: "POST",
      body,
      redirect: "manual",
      cache: "no-store",
      signal: AbortSignal.timeout(PATIENCE),
    });
    if (answer.type === "opaqueredirect" || answer.ok) return { taken: true };
    if (answer.status >= 500 || answer.status === 429 || answer.status === 421) return { taken: false };
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const place = page.querySelector("#told") ?? page.querySelector(".lead") ?? page.body;
    const why = place.textContent.trim() || `status ${answer.status}`;
    return { taken: false, refused: why };
  } catch {
    return { taken: false };
  }
}

function tell(entries) {
  let place = document.getElementById("waiting-here");
  if (!place) {
    place = document.createElement("p");
    place.id = "waiting-here";
    place.className = "told sheet";
    place.setAttribute("role", "status");
    document.querySelector("main").before(place);
  }
  place.hidden = entries.length === 0;
  place.replaceChildren();
  const waiting = entries.filter((entry) => !entry.refused);
  if (waiting.length) {
    const first = time(waiting[0].written);
    const many = waiting.length === 1 ? "One entry waits" : `${waiting.length} entries wait`;
    place.append(`No signal. ${many} here, on this phone, since ${first}; sent as soon as the rig answers. `);
  }
  for (const entry of entries.filter((entry) => entry.refused)) {
    const drop = document.createElement("button");
    drop.type = "button";
    drop.textContent = "Drop it";
    drop.addEventListener("click", () => forget(entry.id));
    place.append(`What was written at ${time(entry.written)} was refused: ${entry.refused} (${entry.words}) `, drop);
  }
}

async function forget(id) {
  await inStore("readwrite", (store) => store.delete(id));
  tell(await all());
}

async function flush() {
  if (sending) return;
  sending = true;
  try {
    let entries = await all();
    const before = entries.filter((entry) => !entry.refused).length;
    for (const entry of entries.filter((entry) => !entry.refused)) {
      const came = await send(entry);
      if (came.taken) await inStore("readwrite", (store) => store.delete(entry.id));
      else if (came.refused) await inStore("readwrite", (store) => store.put({ ...entry, refused: came.refused }));
      else break; // the others would wait as long
    }
    entries = await all();
    tell(entries);
    if (entries.some((entry) => !entry.refused)) setTimeout(flush, AGAIN);
    else if (before && document.querySelector("form[data-keep]")) location.assign(location.pathname);
  } finally {
    sending = false;
  }
}

async function keep(form, fields) {
  const seen = [...form.querySelectorAll("textarea, input:not([type=hidden], [type=file])")];
  const entry = {
    action: form.getAttribute("action"),
    enctype: form.enctype,
    fields,
    words: seen.map((field) => field.value.trim()).filter(Boolean).join(" · "),
    written: Date.now(),
  };
  await inStore("readwrite", (store) => store.add(entry));
  for (const once of form.querySelectorAll("input[name=once]")) {
    once.value = [...crypto.getRandomValues(new Uint8Array(8))].map((b) => b.toString(16).padStart(2, "0")).join("");
  }
  for (const field of form.querySelectorAll("textarea, input[type=file], input[data-clear]")) field.value = "";
  tell(await all());
  setTimeout(flush, AGAIN);
}

document.addEventListener("submit", async (event) => {
  const form = event.target;
  if (!form.matches("form[data-keep]") || form.dataset.sure) return;
  event.preventDefault();
  if (form.dataset.busy) return;
  form.dataset.busy = "1";
  const fields = [...new FormData(form, event.submitter)];
  try {
    // Whether the rig answers at all; a form that it answers goes the ordinary way.
    await fetch("/now.json", { method: "HEAD", cache: "no-store", signal: AbortSignal.timeout(PATIENCE) });
    form.dataset.sure = "1";
    form.requestSubmit(event.submitter ?? undefined);
  } catch {
    try {
      await keep(form, fields);
    } catch {
      form.dataset.sure = "1"; // a browser that keeps nothing: let it say so itself
      form.requestSubmit(event.submitter ?? undefined);
    }
  } finally {
    delete form.dataset.busy;
  }
});

addEventListener("online", flush);
document.addEventListener("visibilitychange", () => {
  if (!document.hidden) flush();
});
addEventListener("pageshow", () => {
  for (const form of document.querySelectorAll("form[data-sure]")) delete form.dataset.sure;
});
flush();
