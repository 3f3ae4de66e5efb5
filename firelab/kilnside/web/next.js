// The next firing, why, and what is believed. Without connection the page goes on by the
// last answer and the hand's simple rule; the server is told each tile when it is back.
let isAsking = false;

const card = () => kept.read("card", null);
const openFirings = () => everyFiring().filter((one) => !isDone(one));
const graded = () => allLooks().filter((one) => one.stage && !isLost(one));

// Of plan and looks; the rest counts the times that phones took.
const versionOfLooks = () => bay.version.slice(0, bay.version.lastIndexOf("-"));

async function askNext() {
  if (isAsking || isAway || isOut || !bay.version) return;
  if (!bay.one_at_a_time && document.body.dataset.view !== "next") return;
  const version = versionOfLooks();
  if (card() && card().version === version) return;
  isAsking = true;
  showNext();
  try {
    const answer = await ask("/api/next");
    const content = await answer.json();
    if (answer.ok) kept.write("card", content);
    else if (answer.status === 404) kept.write("card", { version, message: content.message });
  } catch {
    // the last answer stands
  }
  isAsking = false;
  showNext();
}

function inDegC(written) {
  const number = parseFloat(written);
  return /F/.test(String(written)) ? (number - 32) / 1.8 : number;
}

function bothUnits(degC) {
  const words = { degF: `${Math.round(1.8 * degC + 32)} °F`, degC: `${Math.round(degC)} °C` };
  const own = bay.series.reads;
  return `${words[own]} (${words[own === "degF" ? "degC" : "degF"]})`;
}

function dwellText(seconds) {
  const parts = [[Math.floor(seconds / 60), "min"], [Math.round(seconds % 60), "s"]];
  return parts.filter(([count]) => count).map((part) => part.join(" ")).join(" ");
}

// As read at the kiln, else as the load was planned.
function firedAt(look, otherwise) {
  const firing = everyFiring().find((one) => sameFiring(one, look));
  const load = firing && loadNumbered(firing.load);
  return { firing, degC: look.temperature_degC ? inDegC(look.temperature_degC) : load ? load.temperature_degC : otherwise };
}

// The hand's rule: a step hotter until it is as wanted, a step back where it is past that.
function byRule(told) {
  const last = graded().slice(-1)[0];
  if (!last) return { ...told.firing, why: told.rule };
  const { firing, degC } = firedAt(last, told.firing.temperature_degC);
  const names = bay.series.grades.map((one) => one.name);
  const wanted = bay.series.grades.map((one, place) => (one.target ? place : null)).filter((one) => one !== null);
  const rank = names.indexOf(last.stage);
  const turn = rank < Math.min(...wanted) ? 1 : rank > Math.max(...wanted) ? -1 : 0;
  const temperature_degC = Math.round(100 * (degC + turn * told.step_degC)) / 100;
  const dwell_s = firing ? firing.dwell_s : told.firing.dwell_s;
  const why = `${marked(last.tile)} came out ${last.stage}. ${told.rule}`;
  return { ...told.firing, temperature_degC, dwell_s, heat: bothUnits(temperature_degC), dwell: dwellText(dwell_s), why };
}

// The answer is of all looks, or the rule goes on from it.
function toFire() {
  const told = card();
  if (!told || !told.firing) return null;
  const isOfAll = (isAway || told.version === versionOfLooks()) && !waiting().length && !ahead().length && told.belief && graded().length === told.belief.tiles.length;
  return isOfAll ? { ...told.firing, why: told.why, place: told.place, isFresh: true } : isAway ? byRule(told) : null;
}

const nextCode = () => (card().codes || []).find((code) => !everyFiring().some((one) => one.tile === code));

function codesOf(firings) {
  const few = firings.slice(0, 4).map((one) => marked(one.tile)).join(", ");
  return firings.length > 4 ? `${few} and ${firings.length - 4} more` : few;
}

function showNext() {
  const told = card();
  const waits = openFirings();
  const next = toFire();
  const isFresh = Boolean(next && next.isFresh);
  const words = (name, text) => {
    setText(name, text || "");
    byId(name).hidden = !text;
  };
  const busy = isAway ? "No connection: this is what is known here." : !told || !(isFresh || told.message || waits.length) ? "Working it out ..." : "";
  words("next-busy", told && told.message ? `${told.message}: fire and grade a tile first.` : busy);
  words("next-first", waits.length ? `First fire and grade ${codesOf(waits)}.` : "");
  const shown = waits.length || !bay.one_at_a_time ? null : next;
  setText("next-heading", !bay.one_at_a_time ? "What is believed" : told && isFresh && told.stop ? "If you go on" : "Next tile");
  const [own, other] = shown ? shown.heat.split(" (") : ["", ""];
  words("next-heat", own);
  words("next-dwell", shown ? `for ${shown.dwell}` : "");
  words("next-setting", shown ? [`(${other}`, shown.setting, shown.place ? `place ${shown.place} of the rack` : ""].filter(Boolean).join(", ") : "");
  const hidden = unseen();
  const isBlind = hidden.length > 0;
  words("next-blind", isBlind && told && told.belief ? `What is believed sways the eye: hidden until ${codesOf(hidden)} ${hidden.length > 1 ? "are" : "is"} graded.` : "");
  byId("next-show").hidden = byId("next-blind").hidden;
  words("next-why", shown ? shown.why : "");
  words("next-stop", told && isFresh ? told.stop : "");
  words("next-now", told && !isBlind && told.now);
  const none = (told && told.left) || "";
  const more = graded().length - (told && told.belief ? told.belief.tiles.length : 0);
  words("next-left", more > 0 && none ? `${none} ${more} more graded here since.` : none);
  const code = shown ? nextCode() : null;
  byId("next-go").hidden = !code;
  if (code) setText("next-go", `Mark it ${marked(code)}, and fire`);
  const [first] = nameless();
  const canName = first && first.other && !everyFiring().some((one) => one.tile === first.other);
  words("next-trouble", first ? `${marked(first.firings[0].tile)}, fired here at ${first.words}, needs another code: ${first.taken}.` : kept.read("planless", ""));
  byId("next-name").hidden = !canName;
  if (canName) setText("next-name", `Scratch ${marked(first.other)} on it instead`);
  const belief = !isBlind && told && told.belief;
  byId("belief").hidden = !belief;
  byId("belief-key").hidden = !belief;
  if (belief) byId("belief").replaceChildren(beliefPicture(belief, shown));
}

// A tile that was fired, or is to be fired now, and is not graded: what is believed of it
// would sway the eye. Showing it is a choice, and the log says so.
const ungraded = () => everyFiring().filter((one) => !isDone(one) && (timeOf(one) || bay.one_at_a_time));
const isSwayed = (firing) => kept.read("swayed", []).includes(firingKey(firing));


function unseen() {
  const all = ungraded();
  if (open && !isSighted && !all.some((one) => sameFiring(one, open))) all.push(open);
  return all.filter((one) => !isSwayed(one));
}

function showBelieved() {
  kept.write("swayed", [...kept.read("swayed", []), ...unseen().map(firingKey)].slice(-500));
  changed();
}

function shape(tag, attributes, text = "") {
  const node = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  node.textContent = text;
  return node;
}

const WIDE = 358;
const HIGH = 236;
const EDGE = { left: 100, right: 8, above: 26, below: 28 };

// Temperature against the grades: the darker, the likelier; a disc for each tile so far.
function beliefPicture(belief, next) {
  const grades = Object.keys(belief.probability).reverse(); // over on top
  const heats = belief.temperature_degC;
  const [low, high] = [heats[0], heats[heats.length - 1]];
  const across = (degC) => EDGE.left + ((WIDE - EDGE.left - EDGE.right) * (degC - low)) / (high - low || 1);
  const row = (HIGH - EDGE.above - EDGE.below) / grades.length;
  const down = (grade) => EDGE.above + row * grades.indexOf(grade);
  // one end for two neighbours, in whole units, so that they neither overlap nor leave a seam
  const ends = [...heats.map((heat, place) => (place ? Math.round((across(heats[place - 1]) + across(heat)) / 2) : EDGE.left)), WIDE - EDGE.right];
  const since = graded().filter((look) => !belief.tiles.some((one) => one.tile === look.tile));
  const tiles = [...belief.tiles, ...since.map((look) => ({ tile: look.tile, grade: look.stage, temperature_degC: firedAt(look, low).degC }))];
  const names = tiles.map((one) => `${one.tile} ${one.grade}`).join(", ");
  const picture = shape("svg", { viewBox: `0 0 ${WIDE} ${HIGH}`, role: "img", "aria-label": `What is believed of each temperature; tiles so far: ${names || "none"}` });
  for (const grade of grades) {
    const isWanted = card().target.includes(grade);
    belief.probability[grade].forEach((chance, place) => {
      picture.append(shape("rect", { class: "cell", x: ends[place], y: down(grade), width: ends[place + 1] - ends[place], height: row, "fill-opacity": chance }));
    });
    picture.append(shape("text", { x: EDGE.left - 7, y: down(grade) + row / 2 + 5, "text-anchor": "end", class: isWanted ? "wanted-name" : "" }, grade));
    if (isWanted) picture.append(shape("rect", { class: "wanted", x: EDGE.left, y: down(grade), width: WIDE - EDGE.left - EDGE.right, height: row }));
  }
  const inOwn = (degC) => (bay.series.reads === "degF" ? 1.8 * degC + 32 : degC);
  const unit = `°${bay.series.reads.slice(-1)}`;
  for (const [share, anchor] of [[0, "start"], [0.5, "middle"], [1, "end"]]) {
    const degC = low + share * (high - low);
    picture.append(shape("text", { x: across(degC), y: HIGH - 7, "text-anchor": anchor }, `${Math.round(inOwn(degC))} ${unit}`));
  }
  if (next) {
    const x = across(Math.min(high, Math.max(low, next.temperature_degC)));
    picture.append(shape("line", { class: "next", x1: x, x2: x, y1: EDGE.above - 4, y2: HIGH - EDGE.below }));
    picture.append(shape("text", { x: Math.min(WIDE - 22, x), y: EDGE.above - 10, "text-anchor": "middle", class: "wanted-name" }, "next"));
  }
  const met = {};
  for (const one of tiles) {
    const place = `${one.temperature_degC} ${one.grade}`;
    met[place] = (met[place] || 0) + 1;
    const aside = 9 * Math.ceil((met[place] - 1) / 2) * (met[place] % 2 ? 1 : -1);
    const cx = Math.min(WIDE - EDGE.right - 8, Math.max(EDGE.left + 8, across(one.temperature_degC) + aside));
    picture.append(shape("circle", { class: one.here ? "seen" : "seen elsewhere", cx, cy: down(one.grade) + row / 2, r: 8 }));
  }
  return picture;
}
