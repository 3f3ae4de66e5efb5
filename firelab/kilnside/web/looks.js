// Looks as they stand: what the server holds, and over it what still waits on this phone.
let bay = { loads: [], looks: [], timings: [], series: null, version: "" };
// Counts what was learnt since: a state that was asked for before knows nothing of it.
let learnt = 0;

function renewBay(more) {
  bay = { ...bay, ...more, version: "" };
  learnt += 1;
  kept.write("bay", bay);
}

const sameFiring = (one, other) => one.tile === other.tile && Number(one.look) === Number(other.look);
const sameName = (one, other) => (one.observer || "").toLowerCase() === (other.observer || "").toLowerCase();
const isLost = (look) => (look.change || "").includes("lost");
const marked = (tile) => (bay.series && bay.series.mark ? `${bay.series.mark}-${tile}` : tile);
const observer = () => kept.read("observer", "");

// The looks once one more is applied: a change supersedes, as in the log.
function withLook(looks, look, waits) {
  if (looks.some((one) => one.entry === look.entry)) return looks;
  let others = looks;
  if (isLost(look)) {
    others = looks.filter((one) => !sameFiring(one, look));
  } else if (/correction|withdrawal|confirmation/.test(look.change || "")) {
    const here = looks.filter((one) => sameFiring(one, look));
    const meant = here.find((one) => sameName(one, look)) || here[0];
    others = looks.filter((one) => one !== meant);
  }
  return look.change === "withdrawal" ? others : [...others, { ...look, waits }];
}

const allLooks = () => waiting().reduce((looks, { look }) => withLook(looks, look, true), bay.looks);

// Until the server says so itself, the page shows what it was told is kept.
function showAsKept(look) {
  renewBay({ looks: withLook(bay.looks, look, false) });
}

// What the log holds under the code of a tile begun here is of another tile.
const standing = (firing) => allLooks().filter((one) => sameFiring(one, firing) && (one.waits || !isBegun(firing)));

function again() {
  return kept.read("again", []);
}

function firingsOf(load) {
  const planned = load.firings.map((one) => ({ ...one, load: load.load }));
  return [...planned, ...again().filter((one) => one.load === load.load)];
}

const everyFiring = () => loads().flatMap(firingsOf);

function readingText(load) {
  const written = kept.read(`reading/${load}`, "");
  return written && bay.series ? `${written} ${bay.series.reads}` : "";
}

// A tile that was moved to another load stays there when its look is corrected.
function superseding(before) {
  return changeOf(before, "correction");
}

function changeOf(before, word) {
  const lasting = (before.change || "").split(" ").filter((one) => ["moved", "offset", "sighted"].includes(one));
  return [word, ...lasting].join(" ");
}

// A look that is odd and true: a further row says so.
function confirmLook(look) {
  const { waits, bench: other, ...bare } = look;
  enqueue({ ...bare, entry: randomName(ENTRY_LENGTH), change: changeOf(look, "confirmation") });
  changed();
}

// A tile that is lost before it is graded, or after: then its grade stays.
function keepLoss(firing, seen) {
  const before = standing(firing).filter((one) => !isLost(one));
  const where = before.length ? { look: Number(firing.look) + 1 } : { look: firing.look, load: firing.load };
  const look = { entry: randomName(ENTRY_LENGTH), tile: firing.tile, ...where, change: "lost", defects: seen.defects, note: seen.note, observer: observer() };
  const bare = Object.fromEntries(Object.entries(look).filter(([, value]) => value !== null && value !== ""));
  const one = enqueue(bare);
  remember({ kind: "look", entry: one.look.entry, look: bare, before: null, words: `${marked(firing.tile)}: lost` });
  return one;
}

// One tap: the look is kept on this phone before anything is sent.
function keepLook(firing, seen, { as, isSighted }) {
  const before = standing(firing);
  const mine = before.find((one) => sameName(one, { observer: observer() })) || before[0] || null;
  const correct = before.length > 0 && as !== "second";
  const time = timeOf(firing);
  const look = {
    entry: randomName(ENTRY_LENGTH),
    tile: firing.tile,
    look: firing.look,
    load: firing.load,
    temperature_degC: (time && time.temperature) || readingText(firing.load) || null,
    dwell_s: null,
    fired_at: time && time.dwell_s ? momentText(Number(time.in_at) + 1000 * Number(time.dwell_s)) : null,
    observer: correct ? mine.observer || observer() : observer(),
    ...seen,
  };
  const words = [correct ? superseding(mine) : "", isSighted || isSwayed(firing) ? "sighted" : ""].join(" ").trim().split(" ");
  look.change = [...new Set(words)].join(" ");
  if (correct) {
    for (const name of ["temperature_degC", "fired_at"]) look[name] = look[name] || mine[name] || null;
  }
  const bare = Object.fromEntries(Object.entries(look).filter(([, value]) => value !== null && value !== ""));
  const one = enqueue(bare);
  remember({ kind: "look", entry: one.look.entry, look: bare, before: correct ? mine : null, words: `${marked(firing.tile)}: ${seen.stage || "no grade"}` });
  return one;
}

// Undo adds a row that supersedes; an entry that was never sent is simply dropped.
function undoLook(done) {
  const unsent = entries().find((one) => one.look.entry === done.entry);
  if (unsent && (unsent.tried === 0 || unsent.refused)) {
    dropEntry(unsent);
    photos.drop(done.entry).catch(() => null);
    return;
  }
  const { tile, look } = done.look;
  const name = done.look.observer ? { observer: done.look.observer } : {};
  const entry = randomName(ENTRY_LENGTH);
  if (!done.before) {
    enqueue({ entry, tile, look, change: "withdrawal", ...name });
    return;
  }
  const { waits, bench: other, ...before } = done.before;
  const bare = Object.fromEntries(Object.entries(before).filter(([, value]) => value !== null && value !== ""));
  enqueue({ ...bare, entry, change: superseding(before) });
}

// The last things done on this phone, newest last; each can be undone.
const done = () => kept.read("done", []);

function remember(action) {
  kept.write("done", [...done(), action].slice(-40));
  kept.drop("undone");
  changed();
}

function undoLast() {
  const all = done();
  const last = all.pop();
  kept.write("done", all);
  if (!last) return;
  kept.write("undone", last.words);
  if (last.kind === "look") undoLook(last);
  if (last.kind === "start") undoStart();
  if (last.kind === "out") undoOut(last.tiles);
  if (last.kind === "next") undoNext(last.tile);
  changed();
}

// A look that the log did not take, because another stands: the person decides.
function takeAnyway(one, change) {
  dropEntry(one);
  const { bench: other, ...look } = one.look;
  const entry = randomName(ENTRY_LENGTH);
  enqueue({ ...look, entry, ...(change ? { change } : {}) });
  photos.get(one.look.entry).then((picture) => {
    if (!picture) return null;
    return photos.put(entry, picture).then(() => photos.drop(one.look.entry));
  }).catch(() => null);
}
