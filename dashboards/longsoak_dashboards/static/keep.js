// Keeps what was written on a phone without a signal, or by somebody who was logged out meanwhile:
// an entry waits in the browser, over closing and opening it again, and is sent as soon as the rig
// takes it. What becomes of it is told beside the form, where the thumb is, and at the top of the
// sheet. Without this script a form is sent the ordinary way, or not at all.

const PATIENCE = 8000; // ms for one attempt
const AGAIN = 5000; // ms between two attempts
const STORE = "entries";
const SLOW = 400; // ms after which it is told that the rig is being asked
const MOMENT = 60000; // ms in which the same words are taken for the same button pressed again
const LOOKS = 15; // looks, one a second, at what becomes of an entry that was sent
const SHOWN = 20000; // ms that the word about a sent entry stays in view wherever one scrolls to

let sending = false;
let out = false; // whether nobody is logged in who could change something
let sentAt = 0; // ms
let sent = []; // what became of entries sent while this page was open: { form, words, look }
const said = new Map(); // by form, what is told beside it in place of what waits

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

// What a form has to bring along now; nothing if nobody is logged in. It throws without a signal.
async function token() {
  const answer = await fetch("/session.json", { cache: "no-store", signal: AbortSignal.timeout(PATIENCE) });
  if (!answer.ok) throw new Error(`status ${answer.status}`);
  const who = await answer.json();
  out = !who.may_change;
  return out ? null : who.token;
}

const LATER = [403, 408, 421, 429]; // and what the rig itself is to blame for

// What one attempt comes to: taken, refused for good (with why), or not now.
async function send(entry) {
  const plain = entry.enctype === "application/x-www-form-urlencoded";
  const body = plain ? new URLSearchParams() : new FormData();
  try {
    const fresh = await token(); // its own may be of another session
    if (fresh === null) return { taken: false };
    const fields = entry.fields.filter(([name]) => name !== "token");
    const waited = ["waited", String((Date.now() - entry.written) / 1000)]; // until it goes
    for (const [name, value] of [...fields, waited, ["token", fresh]]) body.append(name, value);
    const answer = await fetch(entry.action, {
      method: "POST",
      body,
      cache: "no-store",
      signal: AbortSignal.timeout(PATIENCE),
    });
    // Where it was taken the answer leads to what becomes of it; without that it was taken as well.
    if (answer.redirected || answer.ok) return { taken: true, address: answer.url };
    if (answer.status >= 500 || LATER.includes(answer.status)) return { taken: false };
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const place = page.querySelector("#told") ?? page.querySelector(".lead") ?? page.body;
    const why = place.textContent.trim() || `status ${answer.status}`;
    return { taken: false, refused: why };
  } catch {
    return { taken: false };
  }
}

// What a form is known by, over reloads and over the sheet being changed in place.
const named = (form) => `${form.getAttribute("action")} ${form.querySelector("input[name=what]")?.value ?? ""}`;

// The words at the top of the sheet, which stay in view wherever one scrolls to.
function top(id) {
  let both = document.getElementById("kept-here");
  if (!both) {
    both = document.createElement("div");
    both.id = "kept-here";
    both.innerHTML = '<p id="sent-here" role="status"></p><p id="waiting-here" role="status"></p>';
    document.querySelector("main").before(both);
  }
  return document.getElementById(id);
}

// The word beside a form.
function beside(form, words, look) {
  let place = form.querySelector(".beside");
  if (!place && !words) return;
  if (!place) {
    place = document.createElement("p");
    place.className = "told beside";
    place.setAttribute("role", "status");
    // Above the button: a thumb that presses again touches the word.
    form.querySelector("button.main").before(place);
  }
  if (place.textContent !== words) place.textContent = words;
  place.classList.toggle("look", Boolean(look));
}

function tell(entries) {
  const waiting = entries.filter((entry) => !entry.refused);
  const refused = entries.filter((entry) => entry.refused);
  const place = top("waiting-here");
  place.hidden = entries.length === 0;
  place.classList.toggle("look", refused.length > 0);
  place.replaceChildren();
  if (waiting.length) {
    const first = time(waiting[0].written);
    const many = waiting.length === 1 ? "One entry waits" : `${waiting.length} entries wait`;
    if (out) {
      const way = document.createElement("a");
      way.href = `/login?to=${encodeURIComponent(location.pathname + location.search)}`;
      way.textContent = "Log in";
      place.append(`Nobody is logged in who may change something. ${many} here, on this phone, since ${first}. `, way, " to have it sent. ");
    } else {
      place.append(`No signal. ${many} here, on this phone, since ${first}; sent as soon as the rig answers. `);
    }
  }
  for (const entry of refused) {
    const drop = document.createElement("button");
    drop.type = "button";
    drop.textContent = "Drop it";
    drop.addEventListener("click", () => forget(entry.id));
    place.append(`What was written at ${time(entry.written)} was refused: ${entry.refused} (${entry.words}) `, drop);
  }
  const told = top("sent-here");
  told.hidden = sent.length === 0;
  told.textContent = sent.map((each) => each.words).join(" ");
  told.classList.toggle("look", sent.some((each) => each.look));
  // What was refused may be long, and would cover the sheet.
  const inView = waiting.length || Date.now() - sentAt < SHOWN;
  told.parentElement.classList.toggle("stays", Boolean(inView) && refused.length === 0);
  for (const form of document.querySelectorAll("form[data-keep]")) {
    const own = waiting.filter((entry) => entry.form === named(form));
    const last = sent.findLast((each) => each.form === named(form));
    const many = own.length === 1 ? "It waits" : `${own.length} from here wait`;
    const wrong = refused.some((entry) => entry.form === named(form));
    if (said.has(named(form))) beside(form, said.get(named(form)), true);
    else if (own.length && out) beside(form, `Nobody is logged in who may change something. ${many} on this phone until somebody is.`);
    else if (own.length) beside(form, `No signal. ${many} on this phone, to be sent as soon as the rig answers.`);
    else if (wrong) beside(form, "What was written was refused: the top of this sheet says why.", true);
    else beside(form, last?.words ?? "", last?.look);
    // What can be said only once, such as the end of a top-up, is not said again.
    const button = form.dataset.keep === "once" && own.length && form.querySelector("button.main");
    if (button) {
      button.disabled = true;
      button.textContent = "It waits here";
    }
  }
}

async function forget(id) {
  await inStore("readwrite", (store) => store.delete(id));
  tell(await all());
}

// Tell what became of an entry that was sent: kept under which number, or why not.
async function follow(address, told) {
  for (let look = 0; look < LOOKS && address; look += 1) {
    try {
      const answer = await fetch(address, { cache: "no-store", signal: AbortSignal.timeout(PATIENCE) });
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const place = page.querySelector("#told");
      if (!answer.ok || !place?.textContent.trim()) return;
      told.words = `Sent. ${place.textContent.trim()}`;
      told.look = place.classList.contains("look");
      tell(await all());
      if (page.querySelector("main[data-waiting]")) throw new Error("not told yet");
      return showEntries(page);
    } catch {
      // Not told yet, or lost again: it was sent all the same, and the next look may come through.
    }
    await new Promise((resolve) => setTimeout(resolve, 1000));
  }
}

// The logbook's list as it is now; its form, which somebody may be writing in, stays.
function showEntries(page) {
  if (location.pathname !== "/logbook" || new URLSearchParams(location.search).has("upto")) return;
  for (const part of ["main > .lead", "main section[aria-labelledby=h-entries]"]) {
    const [old, fresh] = [document.querySelector(part), page.querySelector(part)];
    if (old && fresh) old.replaceWith(document.adoptNode(fresh));
  }
}

async function flush() {
  if (sending) return;
  sending = true;
  try {
    let entries = await all();
    let last = null;
    for (const entry of entries.filter((entry) => !entry.refused)) {
      const came = await send(entry);
      if (came.taken) {
        await inStore("readwrite", (store) => store.delete(entry.id));
        const told = { form: entry.form, words: "Sent.", look: false };
        sent = [...sent, told];
        sentAt = Date.now();
        said.delete(entry.form);
        last = { entry, address: came.address };
        follow(came.address, told);
      } else if (came.refused) await inStore("readwrite", (store) => store.put({ ...entry, refused: came.refused }));
      else break; // the others would wait as long
    }
    entries = await all();
    tell(entries);
    if (last) setTimeout(async () => tell(await all()), SHOWN + 100);
    if (entries.some((entry) => !entry.refused)) setTimeout(flush, AGAIN);
    else if (last && ended(last.entry)) location.assign(last.address); // nothing is left to do here
  } finally {
    sending = false;
  }
}

// Whether what was sent ends what this page is for.
const ended = (entry) => [...document.querySelectorAll("form[data-keep=once]")].some((form) => named(form) === entry.form);

const WRITTEN = "input:not([type=hidden], [name=by], [data-stays])"; // what is said anew each time
const AWAY = ["once", "ago", "token"]; // what differs each time the button is pressed
const plainly = ([name, value]) => [name, value instanceof File ? [value.name, value.size, value.lastModified] : value];
const content = (fields) => JSON.stringify(fields.filter(([name]) => !AWAY.includes(name)).map(plainly));

// Why a form is not kept; nothing if it is to be.
function refusal(form, fields, entries) {
  const own = form.querySelectorAll(`textarea, ${WRITTEN}`);
  if (form.dataset.keep === "filled" && ![...own].some((field) => field.value.trim())) {
    return "Nothing is filled in, so nothing was kept.";
  }
  const lately = (entry) => entry.form === named(form) && Date.now() - entry.written < MOMENT;
  if (!entries.some((entry) => lately(entry) && content(entry.fields) === content(fields))) return "";
  return "The same waits here already, so it was not kept twice. If it is another one, say what is different.";
}

async function keep(form, fields) {
  const why = refusal(form, fields, await all());
  if (why) said.set(named(form), why);
  else said.delete(named(form));
  if (why) {
    tell(await all());
    return toView(form);
  }
  sent = sent.filter((each) => each.form !== named(form));
  const seen = [...form.querySelectorAll("textarea, input:not([type=hidden], [type=file])")];
  const entry = {
    action: form.getAttribute("action"),
    enctype: form.enctype,
    form: named(form),
    fields,
    words: seen.map((field) => field.value.trim()).filter(Boolean).join(" · "),
    written: Date.now(),
  };
  await inStore("readwrite", (store) => store.add(entry));
  for (const once of form.querySelectorAll("input[name=once]")) {
    once.value = [...crypto.getRandomValues(new Uint8Array(8))].map((b) => b.toString(16).padStart(2, "0")).join("");
  }
  // Empty, as the sheet is after a form that was sent at once; who writes stays the same, and what
  // holds for more than one of them, such as the meter of a round.
  for (const field of form.querySelectorAll(`textarea, ${WRITTEN}`)) field.value = "";
  for (const choice of form.querySelectorAll("select:not([data-stays])")) choice.selectedIndex = 0;
  document.dispatchEvent(new Event("kept-here"));
  for (const old of form.querySelectorAll("input[name=kept], .pictures")) old.remove();
  tell(await all());
  toView(form);
  setTimeout(flush, AGAIN);
}

const toView = (form) => form.querySelector(".beside")?.scrollIntoView({ block: "nearest" });

document.addEventListener("submit", async (event) => {
  const form = event.target;
  if (!form.matches("form[data-keep]") || form.dataset.sure) return;
  event.preventDefault();
  if (form.dataset.busy) return;
  form.dataset.busy = "1";
  const fields = [...new FormData(form, event.submitter)];
  const slow = setTimeout(() => beside(form, "Asking the rig."), SLOW);
  try {
    // Whether the rig answers and takes it; a form that it takes goes the ordinary way.
    const fresh = await token();
    if (fresh === null) throw new Error("nobody is logged in");
    for (const field of form.querySelectorAll("input[name=token]")) field.value = fresh;
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
    clearTimeout(slow);
    delete form.dataset.busy;
  }
});

document.addEventListener("changed-in-place", async () => tell(await all()));
document.addEventListener("input", async (event) => {
  const form = event.target.closest("form[data-keep]");
  if (form && said.delete(named(form))) tell(await all());
});
addEventListener("online", flush);
document.addEventListener("visibilitychange", () => {
  if (!document.hidden) flush();
});
addEventListener("pageshow", () => {
  for (const form of document.querySelectorAll("form[data-sure]")) delete form.dataset.sure;
});
flush();
