// Tiles begun on this phone, which the server has not planned yet.
const ahead = () => kept.read("ahead", []);
const back = () => kept.read("back", []);
const holds = (load, tile) => load.firings.some((one) => one.tile === tile);
const isBegun = (look) => ahead().some((one) => holds(one, look.tile));

// Those whose code another tile took: they and their looks wait for a code of their own.
const nameless = () => ahead().filter((one) => one.taken);

// One's own begun load stands in for the server's, until it is known which tile is meant.
function loads() {
  const others = bay.loads.filter((load) => ![...ahead().map((one) => one.firings[0]), ...back()].some((one) => holds(load, one.tile)));
  return [...others, ...ahead()];
}

function goNext() {
  const next = toFire();
  const code = nextCode();
  if (!next || !code) return;
  const before = loads().slice(-1)[0];
  const load = before ? before.load + 1 : 1;
  const firing = { tile: code, look: 1, dwell_s: next.dwell_s, setting: next.setting };
  const one = { session: before ? before.session : 1, load, temperature_degC: next.temperature_degC, words: next.heat, firings: [firing] };
  kept.write("ahead", [...ahead(), one]);
  kept.drop("planless");
  chooseLoad(load);
  setView("kiln");
  remember({ kind: "next", tile: code, words: `${marked(code)} to be fired at ${next.heat}` });
  send();
}

// Taken back before it is fired; the server is told where it may have planned it.
function undoNext(tile) {
  const own = ahead().find((one) => holds(one, tile));
  const load = own || bay.loads.find((one) => holds(one, tile));
  kept.write("ahead", ahead().filter((one) => !holds(one, tile)));
  if (load && (!own || (own.isSent && !own.taken))) {
    const [{ dwell_s }] = load.firings;
    kept.write("back", [...back(), { tile, temperature_degC: load.temperature_degC, dwell_s }]);
  }
  chooseLoad(nextLoad());
  setView("next");
  send();
}

const rewrite = (tile, more) => kept.write("ahead", ahead().map((one) => (holds(one, tile) ? { ...one, ...more } : one)));

// Tiles begun on this phone are taken back or planned before any look at them is sent.
async function sendAhead() {
  for (const one of back()) {
    const answer = await tellPlan({ ...one, change: "withdrawal" });
    if (!answer) return false;
    kept.write("back", back().filter((other) => other.tile !== one.tile));
    if (answer.kept) renewBay({ loads: bay.loads.filter((load) => !holds(load, one.tile)) });
    else kept.write("planless", answer.message);
    changed();
  }
  for (const one of ahead()) {
    const [{ tile, dwell_s }] = one.firings;
    rewrite(tile, { isSent: true });
    const answer = await tellPlan({ tile, temperature_degC: one.temperature_degC, dwell_s });
    if (!answer) return false;
    if (!ahead().some((other) => holds(other, tile))) continue; // taken back meanwhile
    if (answer.kept) planned(one, answer.load);
    else if (answer.next) rewrite(tile, { taken: answer.message, other: answer.next });
    else {
      kept.write("ahead", ahead().filter((other) => !holds(other, tile)));
      kept.write("planless", answer.message);
    }
    changed();
  }
  return true;
}

// What the server says of a tile to be planned; nothing where it could not be asked.
async function tellPlan(words) {
  let answer;
  let content = {};
  try {
    answer = await askJson("/api/next", { ...words, bench });
    content = await answer.json();
  } catch {
    away(true);
    return null;
  }
  if (answer.status === 403) {
    isOut = true;
    return null;
  }
  if (!answer.ok && ![400, 409, 422].includes(answer.status)) {
    away(true, content.message);
    return null;
  }
  away(false);
  return { message: "", ...content };
}

function planned(one, load) {
  const [firing] = one.firings;
  const { taken, other, isSent, ...bare } = ahead().find((before) => holds(before, firing.tile));
  rename(bare, { tile: firing.tile, load });
  kept.write("ahead", ahead().filter((before) => !holds(before, firing.tile)));
  renewBay({ loads: [...bay.loads.filter((known) => !holds(known, firing.tile)), { ...bare, load }] });
}

// Everything that this phone holds of a begun tile goes by another code, or in another load.
function rename(begun, { tile, load }) {
  const before = begun.firings[0].tile;
  const mine = (one) => (one.tile === before ? { ...one, tile, ...(one.load === undefined ? {} : { load }) } : one);
  for (const one of entries()) replaceEntry({ ...one, look: mine(one.look) });
  kept.write("times", Object.fromEntries(Object.values(ownTimes()).map(mine).map((one) => [firingKey(one), one])));
  kept.write("done", done().map((one) => ({ ...mine(one), ...(one.look ? { look: mine(one.look) } : {}) })));
  const going = run();
  if (going && holds(going, before)) kept.write("run", { ...going, load, firings: going.firings.map(mine) });
  if (load === begun.load) return;
  kept.write(`reading/${load}`, kept.read(`reading/${begun.load}`, ""));
  kept.drop(`reading/${begun.load}`);
  if (shownLoad === begun.load) shownLoad = load;
}

// A load begun here gives way to one that another phone began as the same.
function makeRoom() {
  for (const one of ahead()) {
    const [{ tile }] = one.firings;
    if (!bay.loads.some((load) => load.load === one.load && !holds(load, tile))) continue;
    const load = Math.max(...loads().map((other) => other.load)) + 1;
    rename(one, { tile, load });
    rewrite(tile, { load });
  }
}

// The tile whose code another one took gets one of its own.
function giveCode(one) {
  const [firing] = one.firings;
  rename(one, { tile: one.other, load: one.load });
  const { taken, other, isSent, ...bare } = one;
  kept.write("ahead", ahead().map((before) => (holds(before, firing.tile) ? { ...bare, firings: [{ ...firing, tile: other }] } : before)));
  changed();
  send();
}
