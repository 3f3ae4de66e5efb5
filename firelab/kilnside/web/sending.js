// Entries wait on the phone and are sent one after the other, each until it is kept.
// An entry carries a name of its own, so the log keeps it once however often it is sent.
let isSending = false;
let isMore = false;
let isAway = false;
let isOut = false;

function token() {
  let name = kept.read("token", "");
  if (!name) {
    name = randomName(40);
    kept.write("token", name);
  }
  return name;
}

function ask(path, more = {}) {
  const headers = { Authorization: `Bearer ${token()}`, ...(more.headers || {}) };
  return fetch(path, { ...more, headers, cache: "no-store", signal: AbortSignal.timeout(8000) });
}

const askJson = (path, content) =>
  ask(path, {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(content),
  });

const entryKey = (one) => `entry/${String(one.made).padStart(15, "0")}-${one.look.entry}`;
const entries = () => kept.names("entry/").map((name) => kept.read(name, null)).filter(Boolean);
const waiting = () => entries().filter((one) => !one.refused);
const sendable = () => waiting().filter((one) => !isBegun(one.look));
const refused = () => entries().filter((one) => one.refused);

function enqueue(look) {
  const one = { look: { ...look, bench }, made: nextMade(), tried: 0, refused: null };
  kept.write(entryKey(one), one);
  send();
  return one;
}

function nextMade() {
  const made = Math.max(Date.now(), kept.read("made", 0) + 1);
  kept.write("made", made);
  return made;
}

const replaceEntry = (one) => kept.write(entryKey(one), one);
const dropEntry = (one) => kept.drop(entryKey(one));

// What is kept while others are sent goes in a round of its own.
async function send() {
  isMore = true;
  if (isSending) return;
  isSending = true;
  try {
    while (isMore) {
      isMore = false;
      await sendAll();
    }
  } finally {
    isSending = false;
    showLink();
  }
}

async function sendAll() {
  if (!(await sendAhead())) return;
  for (let one = sendable()[0]; one; one = sendable()[0]) {
    if (!(await sendOne(one))) return;
  }
  await sendTimes();
  await sendPhotos();
}

// Returns false where there is no use in going on now.
async function sendOne(one) {
  one.tried += 1;
  replaceEntry(one);
  let answer;
  let content = {};
  try {
    answer = await askJson("/api/looks", one.look);
    content = await answer.json();
  } catch {
    return away(true);
  }
  if (answer.ok && content.kept === true && content.entry === one.look.entry) {
    showAsKept(one.look);
    dropEntry(one);
    away(false);
    changed();
    if (bay.one_at_a_time) setTimeout(poll, 0); // the next firing is waited for
    return true;
  }
  if (answer.status === 403) {
    isOut = true;
    return false;
  }
  if (![400, 409, 413, 415, 422].includes(answer.status)) return away(true, content.message);
  away(false);
  replaceEntry({ ...one, refused: { status: answer.status, message: content.message || "" } });
  changed();
  return true;
}

function away(is, message = "") {
  isAway = is;
  if (is && message) kept.write("trouble", message);
  else kept.drop("trouble");
  return !is;
}

async function sendPhotos() {
  let names = [];
  try {
    names = await photos.names();
  } catch {
    return; // this browser keeps no photos
  }
  const unsent = new Set(entries().map((one) => one.look.entry));
  for (const entry of names) {
    if (unsent.has(entry)) continue;
    const answer = await ask(`/api/photos/${entry}`, { method: "POST", body: await photos.get(entry) }).catch(() => null);
    if (!answer || ![201, 404, 413, 415, 429].includes(answer.status)) return;
    await photos.drop(entry);
  }
}

function showLink() {
  const line = document.getElementById("link");
  const count = waiting().length;
  const many = `${count} look${count === 1 ? "" : "s"}`;
  const turned = refused().length;
  let words = count ? `Sending ${many}` : "Every look is kept";
  let state = count ? "wait" : "kept";
  if (isAway) {
    words = count ? `No connection: ${many} kept on this phone` : "No connection";
    state = "away";
    const trouble = kept.read("trouble", "");
    if (trouble) words = `Not taken now: ${trouble}`;
    else if (!isPageKept) words += ". Do not reload this page; if it is lost, open its address again";
  }
  if (isOut) {
    words = `This phone is not let in: scan a new square. ${count ? `${many} kept here.` : ""}`;
    state = "out";
  }
  const asked = byId("doubts").childElementCount;
  if (asked && !turned) words += `. ${asked} to be confirmed, see Looks`;
  if (turned) words = `${turned} not taken, see Looks. ${count || isAway || isOut ? words : "All others are kept"}`;
  if (nameless().length) words += ". A tile needs another code, see Next";
  if (memory.size) words += ". This phone's storage is full or closed: keep the page open";
  if (line.textContent !== words) line.textContent = words;
  line.dataset.state = turned && state === "kept" ? "away" : state;
}
