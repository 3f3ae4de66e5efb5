// The dwell: one clock for all tiles that went in together, each with its own time to come out.
// It counts from the moment of the tap by the phone's clock, so a sleeping phone loses nothing.
let sound = null;

const firingKey = (one) => `${one.tile}/${one.look}`;
const run = () => kept.read("run", null);
const stillIn = (going) => (going ? going.firings.filter((one) => one.out_at === null) : []);

function ownTimes() {
  return kept.read("times", {});
}

const sharedOf = (time) => (bay.timings || []).find((one) => firingKey(one) === firingKey(time));

// The later of one's own time and another phone's; one that was taken back began at 0.
function timeOf(firing) {
  const own = ownTimes()[firingKey(firing)];
  const shared = isBegun(firing) ? undefined : sharedOf(firing);
  const time = own && !(shared && Number(shared.made || 0) > Number(own.made || 0)) ? own : shared;
  return time && Number(time.in_at) ? time : null;
}

// The server lists this time, or a later one of the same firing.
const isShared = (time) => Number((sharedOf(time) || {}).made || -1) >= (time.made || 0);

function keepTime(time) {
  kept.write("times", { ...ownTimes(), [firingKey(time)]: { ...time, made: nextMade() } });
  send();
}

// A time is sent until the server lists it, after a restart again.
async function sendTimes() {
  for (const time of Object.values(ownTimes())) {
    if (isBegun(time) || isShared(time) || standing(time).length) continue;
    const answer = await askJson("/api/timings", time).catch(() => null);
    if (!answer) return;
    if (answer.ok) renewBay({ timings: [...(bay.timings || []).filter((one) => one !== sharedOf(time)), time] });
  }
}

function startRun(load, firings) {
  const in_at = Date.now();
  kept.write("run", { load, in_at, firings: firings.map((one) => ({ ...one, out_at: null })) });
  for (const one of firings) {
    keepTime({ tile: one.tile, look: one.look, load, in_at, temperature: readingText(load) });
  }
  ready();
  stayLit();
  // only the times of the run at hand can be taken back
  kept.write("done", done().filter((one) => !["start", "out"].includes(one.kind)));
  remember({ kind: "start", words: `Clock started for ${firings.map((one) => marked(one.tile)).join(", ")}` });
}

function takeOut(tiles) {
  const going = run();
  const out_at = Date.now();
  const dwell_s = Math.round((out_at - going.in_at) / 100) / 10;
  for (const one of going.firings) {
    if (!tiles.includes(one.tile) || one.out_at !== null) continue;
    one.out_at = out_at;
    keepTime({ tile: one.tile, look: one.look, load: going.load, in_at: going.in_at, dwell_s, temperature: readingText(going.load) });
  }
  kept.write("run", going);
  remember({ kind: "out", tiles, words: `${tiles.map(marked).join(", ")} out after ${clockText(dwell_s)}` });
}

// The other phones are told too, by a time without a beginning.
function undoStart() {
  const going = run();
  for (const one of going ? going.firings : []) keepTime({ tile: one.tile, look: one.look, load: going.load, in_at: 0 });
  kept.drop("run");
}

function undoOut(tiles) {
  const going = run();
  for (const one of going ? going.firings : []) {
    if (!tiles.includes(one.tile)) continue;
    one.out_at = null;
    keepTime({ tile: one.tile, look: one.look, load: going.load, in_at: going.in_at });
  }
  if (going) kept.write("run", going);
}

// Sound may only begin with a tap, so it is made ready by the tap that starts the clock.
function ready() {
  try {
    sound = sound || new AudioContext();
    sound.resume();
  } catch {
    sound = null; // a browser without sound still shows and shakes
  }
}

// Where the browser lets a page keep the screen lit, it does while tiles are in.
function stayLit() {
  if (navigator.wakeLock && stillIn(run()).length) navigator.wakeLock.request("screen").catch(() => null);
}

function beep(pitch) {
  if (navigator.vibrate) navigator.vibrate(300);
  if (!sound) return;
  const tone = sound.createOscillator();
  const loudness = sound.createGain();
  tone.frequency.value = pitch;
  loudness.gain.setValueAtTime(0.4, sound.currentTime);
  loudness.gain.exponentialRampToValueAtTime(0.001, sound.currentTime + 0.4);
  tone.connect(loudness).connect(sound.destination);
  tone.start();
  tone.stop(sound.currentTime + 0.4);
}

let lastSecond = null;

// The next to come out: all tiles with the shortest time still in the kiln.
function nextOut(going) {
  const inside = stillIn(going);
  if (!inside.length) return null;
  const dwell_s = Math.min(...inside.map((one) => one.dwell_s));
  return { dwell_s, tiles: inside.filter((one) => one.dwell_s === dwell_s).map((one) => one.tile) };
}

function signal(left) {
  const second = Math.ceil(left);
  if (second === lastSecond) return;
  lastSecond = second;
  if (second === 10) beep(520);
  if (second <= 0 && second > -120) beep(880);
}
