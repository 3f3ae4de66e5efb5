// The next firing, why, and what is believed. Without connection the page goes on by the
// last answer and the hand's simple rule; the server is told each tile when it is back.
let isAsking = false;

const card = () => kept.read("card", null);
const openFirings = () => everyFiring().filter((one) => !isDone(one));
const graded = () => allLooks().filter((one) => one.stage && !isLost(one));

async function askNext() {
  if (isAsking || isAway || isOut || !bay.version) return;
  if (!bay.one_at_a_time && document.body.dataset.view !== "next") return;
  const version = bay.version.slice(0, bay.version.lastIndexOf("-"));
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
  const isOfAll = !waiting().length && !ahead().length && told.belief && graded().length === told.belief.tiles.length;
  return isOfAll ? { ...told.firing, why: told.why, place: told.place, isFresh: true } : isAway ? byRule(told) : null;
}

const nextCode = () => (card().codes || []).find((code) => !everyFiring().some((one) => one.tile === code));

function showNext() {
  const told = card();
  const open = openFirings();
  const next = toFire();
  const isFresh = Boolean(next && next.isFresh);
  const words = (name, text) => {
    setText(name, text || "");
    byId(name).hidden = !text;
  };
  const busy = isAway ? "No connection: this is what is known here." : !told || !(isFresh || told.message || open.length) ? "Working it out ..." : "";
  words("next-busy", told && told.message ? `${told.message}: fire and grade a tile first.` : busy);
  words("next-first", open.length ? `First fire and grade ${open.slice(0, 4).map((one) => marked(one.tile)).join(", ")}${open.length > 4 ? " ..." : "."}` : "");
  const shown = open.length || !bay.one_at_a_time ? null : next;
  setText("next-heading", !bay.one_at_a_time ? "What is believed" : told && isFresh && told.stop ? "If you go on" : "Next tile");
  const [own, other] = shown ? shown.heat.split(" (") : ["", ""];
  words("next-heat", own);
  words("next-dwell", shown ? `for ${shown.dwell}` : "");
  words("next-setting", shown ? [`(${other}`, shown.setting, shown.place ? `place ${shown.place} of the rack` : ""].filter(Boolean).join(", ") : "");
  words("next-why", shown ? shown.why : "");
  words("next-stop", told && isFresh ? told.stop : "");
  words("next-now", told && told.now);
  const none = (told && told.left) || "";
  const more = graded().length - (told && told.belief ? told.belief.tiles.length : 0);
  words("next-left", more > 0 && none ? `${none} ${more} more graded here since.` : none);
  const code = shown ? nextCode() : null;
  byId("next-go").hidden = !code;
  if (code) setText("next-go", `Mark it ${marked(code)}, and fire`);
  words("next-trouble", kept.read("planless", ""));
  const belief = told && told.belief;
  byId("belief").hidden = !belief;
  byId("belief-key").hidden = !belief;
  if (belief) byId("belief").replaceChildren(beliefPicture(belief, shown));
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
  changed();
  send();
}

// Tiles begun on this phone are planned before any look at them is sent.
async function sendAhead() {
  for (const one of ahead()) {
    const [firing] = one.firings;
    let answer;
    let content = {};
    try {
      answer = await askJson("/api/next", { tile: firing.tile, temperature_degC: one.temperature_degC, dwell_s: firing.dwell_s, bench });
      content = await answer.json();
    } catch {
      return away(true);
    }
    if (answer.status === 403) {
      isOut = true;
      return false;
    }
    if (!answer.ok && ![400, 409, 422].includes(answer.status)) return away(true, content.message);
    away(false);
    if (answer.ok) {
      bay = { ...bay, loads: [...bay.loads, one], version: "" };
      kept.write("bay", bay);
    } else {
      kept.write("planless", content.message || "");
    }
    kept.write("ahead", kept.read("ahead", []).filter((other) => other.firings[0].tile !== firing.tile));
    changed();
  }
  return true;
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
  const half = (across(heats[1] || high) - across(low)) / 2;
  const since = graded().filter((look) => !belief.tiles.some((one) => one.tile === look.tile));
  const tiles = [...belief.tiles, ...since.map((look) => ({ tile: look.tile, grade: look.stage, temperature_degC: firedAt(look, low).degC }))];
  const names = tiles.map((one) => `${one.tile} ${one.grade}`).join(", ");
  const picture = shape("svg", { viewBox: `0 0 ${WIDE} ${HIGH}`, role: "img", "aria-label": `What is believed of each temperature; tiles so far: ${names || "none"}` });
  for (const grade of grades) {
    const isWanted = card().target.includes(grade);
    belief.probability[grade].forEach((chance, place) => {
      // whole units, so that neighbours neither overlap nor leave a seam
      const left = Math.round(Math.max(EDGE.left, across(heats[place]) - half));
      const right = Math.round(Math.min(WIDE - EDGE.right, across(heats[place]) + half));
      picture.append(shape("rect", { class: "cell", x: left, y: down(grade), width: right - left, height: row, "fill-opacity": chance }));
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
