// What is on the screen. Text from people is only ever set as text, never as markup.
const byId = (name) => document.getElementById(name);
let shownLoad = null;
let chosen = new Set();
let open = null;
let openAs = "correction";
let isScored = false;
let isSeen = false;

function make(tag, words = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(words)) {
    if (name === "text") node.textContent = value;
    else if (name === "press") node.addEventListener("click", value);
    else node.setAttribute(name, value);
  }
  node.append(...children);
  return node;
}

// A list is only drawn anew where it says something else: a finger that is down on a button,
// and the focus, stay where they are while another phone's looks come in.
const drawnLists = new Map();

function refill(name, data, nodes) {
  const key = JSON.stringify(data);
  const there = [...byId(name).children];
  const isSame = there.length === nodes.length && nodes.every((node, place) => node.isEqualNode(there[place]));
  if (isSame && drawnLists.get(name) === key) return;
  drawnLists.set(name, key);
  byId(name).replaceChildren(...nodes);
}

function changed() {
  showKiln();
  showGradeTiles();
  showLooks();
  showDoubts();
  showNext();
  showBar();
  showLink();
}

const loadNumbered = (number) => loads().find((one) => one.load === number);

function isDone(firing) {
  return standing(firing).length > 0;
}

function nextLoad() {
  const going = run();
  if (stillIn(going).length) return going.load;
  const open = loads().find((load) => firingsOf(load).some((one) => !isDone(one) && !timeOf(one)));
  return (open || loads().slice(-1)[0] || { load: null }).load;
}

function chooseLoad(number) {
  shownLoad = number;
  const load = loadNumbered(number);
  chosen = new Set(load ? firingsOf(load).filter((one) => !isDone(one) && !timeOf(one)).map(firingKey) : []);
  byId("reading").value = kept.read(`reading/${number}`, "");
}

function stateWords(firing) {
  const looks = standing(firing);
  if (looks.length) {
    const words = looks.some(isLost) ? "lost" : "graded";
    return looks.some((one) => one.waits) ? `${words} (waits)` : words;
  }
  const time = timeOf(firing);
  if (time) return "in the kiln";
  return "";
}

// Who fires sees a tile's setting until it is out; who grades it, once the grade is given.
const isUnseen = (firing) => isFired(firing) && !isDone(firing);

function tileButton(firing, more, words = stateWords(firing)) {
  const again = firing.look > 1 ? ` look ${firing.look}` : "";
  const isBlind = isUnseen(firing);
  const state = isBlind ? `${again} out, to be graded` : `${clockText(firing.dwell_s)}${again} ${words}`;
  return make(
    "button",
    { type: "button", class: "tile", ...more },
    make("span", { class: "code", text: marked(firing.tile) }),
    make("span", { class: "state", text: state.trim() }),
    make("span", { class: "setting", text: (!isBlind && firing.setting) || "" }),
  );
}

function showKiln() {
  const load = loadNumbered(shownLoad);
  const going = run();
  const inside = stillIn(going);
  const all = loads();
  document.body.toggleAttribute("data-in", inside.length > 0);
  for (const name of ["load-back", "load-on", "reading"]) byId(name).disabled = !load;
  if (!load) {
    byId("kiln-heading").textContent = "No tile is planned";
    byId("set-to").textContent = bay.one_at_a_time ? "Tap Next for what to fire." : "";
    refill("kiln-tiles", [], []);
    return tick();
  }
  const place = all.findIndex((one) => one.load === load.load);
  byId("kiln-heading").textContent = bay.one_at_a_time ? `Load ${load.load}` : `Load ${load.load} of ${all.length}`;
  const unseen = firingsOf(load).filter(isUnseen);
  const isOver = unseen.length > 0 && !inside.length && !firingsOf(load).some((one) => !isDone(one) && !timeOf(one));
  byId("set-to").textContent = isOver ? "All out: grade them." : `Set to ${load.words}`;
  byId("reading-field").hidden = isOver && Boolean(readingText(load.load));
  byId("reading-label").textContent = `Kiln reads, °${bay.series.reads.slice(-1)}`;
  byId("load-back").disabled = place === 0 || inside.length > 0;
  byId("load-on").disabled = place === all.length - 1 || inside.length > 0;
  refill(
    "kiln-tiles",
    firingsOf(load),
    firingsOf(load).map((firing) => {
      const isIn = inside.some((one) => sameFiring(one, firing));
      if (isIn) {
        const out = make("button", { type: "button", text: "Out", "aria-label": `${marked(firing.tile)} out now`, press: () => takeOut([firing.tile]) });
        return make("li", {}, tileButton(firing, { disabled: "" }), out);
      }
      const free = !inside.length && !isDone(firing) && !timeOf(firing);
      if (!free) return make("li", {}, tileButton(firing, { disabled: "" }));
      const key = firingKey(firing);
      const press = () => {
        if (!chosen.delete(key)) chosen.add(key);
        showKiln();
      };
      const goes = chosen.has(key);
      return make("li", {}, tileButton(firing, { "aria-pressed": String(goes), press }, goes ? "goes in" : "stays out"));
    }),
  );
  tick();
}

// Called five times a second: the clock's words, digits and signal.
function tick() {
  const going = run();
  const next = going ? nextOut(going) : null;
  const door = byId("door");
  if (!next) {
    delete byId("clock").dataset.due;
    const load = loadNumbered(shownLoad);
    const ready = load ? firingsOf(load).filter((one) => chosen.has(firingKey(one)) && !isDone(one) && !timeOf(one)) : [];
    setText("clock-words", ready.length ? `To go in: ${ready.map((one) => marked(one.tile)).join(", ")}` : "No tile of this load is to go in");
    setText("clock-digits", ready.length ? clockText(Math.min(...ready.map((one) => one.dwell_s))) : "");
    setText("clock-true", "");
    const onward = !ready.length && load && nextLoad() !== shownLoad && loadNumbered(nextLoad());
    setText("door", onward ? `Go to load ${nextLoad()}` : "Door closed: start");
    door.disabled = !ready.length && !onward;
    return;
  }
  const passed = (Date.now() - going.in_at) / 1000;
  const left = next.dwell_s - passed;
  const codes = next.tiles.map(marked).join(", ");
  const isDue = left <= 0;
  if (isDue) byId("clock").dataset.due = "";
  else delete byId("clock").dataset.due;
  setText("clock-words", isDue ? `Open the door: ${codes} out` : `${codes} out in`);
  setText("clock-digits", isDue ? `+${clockText(-left)}` : clockText(Math.ceil(left)));
  setText("clock-true", `True time ${clockText(Math.floor(passed))} of ${clockText(next.dwell_s)}`);
  setText("door", `Door open: ${codes} out`);
  door.disabled = false;
  signal(left);
}

function setText(name, text) {
  if (byId(name).textContent !== text) byId(name).textContent = text;
}

// A second tap so soon is meant for the first (chosen here, no source).
const TWICE_MS = 800;

function pressDoor() {
  const going = run();
  const next = going ? nextOut(going) : null;
  if (next) return Date.now() - going.in_at < TWICE_MS ? null : takeOut(next.tiles);
  const load = loadNumbered(shownLoad);
  const ready = firingsOf(load).filter((one) => chosen.has(firingKey(one)) && !isDone(one) && !timeOf(one));
  if (ready.length) {
    lastSecond = null;
    return startRun(load.load, ready);
  }
  chooseLoad(nextLoad());
  return changed();
}

// To who grades a tile says its code and nothing else, and tiles come in an order of their own.
function showGradeTiles() {
  const isAsked = kept.read("who", false);
  byId("who").hidden = isAsked || Boolean(open);
  byId("choosing").hidden = !isAsked || Boolean(open);
  const all = everyFiring();
  const timed = all.filter((one) => !isDone(one) && timeOf(one) && timeOf(one).dwell_s);
  const load = loadNumbered(shownLoad);
  const here = load ? firingsOf(load).filter((one) => !timed.some((other) => sameFiring(one, other))) : [];
  const order = bay.order || [];
  const shown = [...timed, ...here].sort((one, other) => order.indexOf(one.tile) - order.indexOf(other.tile) || one.look - other.look);
  refill(
    "grade-tiles",
    shown,
    shown.map((firing) => {
      const pressed = open && sameFiring(open, firing) ? { "aria-pressed": "true" } : {};
      const words = [firing.look > 1 ? `look ${firing.look}` : "", isFired(firing) ? gradeWords(firing) : "not fired"];
      return make(
        "li",
        {},
        make(
          "button",
          { type: "button", class: "tile", press: () => openPanel(firing), ...pressed },
          make("span", { class: "code", text: marked(firing.tile) }),
          make("span", { class: "state", text: words.filter(Boolean).join(", ") }),
        ),
      );
    }),
  );
}

// A tile was fired if a clock took its time, or if someone graded it.
function isFired(firing) {
  const time = timeOf(firing);
  return isDone(firing) || Boolean(time && time.dwell_s);
}

// One's own grade may be shown again; another person's would sway.
function gradeWords(firing) {
  const looks = standing(firing);
  if (looks.some(isLost)) return "lost";
  const mine = looks.find((one) => one.observer && sameName(one, { observer: observer() })) || looks.find((one) => !one.observer);
  if (mine) return `${mine.stage || "no grade"}${mine.waits ? " (waits)" : ""}`;
  return looks.length ? `graded by ${looks.map((one) => one.observer).join(", ")}` : "";
}

function showDoubts() {
  const looks = bay.looks || [];
  const waits = new Set(waiting().map((one) => firingKey(one.look)));
  const asked = (bay.doubts || []).filter((one) => looks.some((look) => look.entry === one.entry && !waits.has(firingKey(look))));
  refill(
    "doubts",
    [asked, looks, everyFiring()],
    asked.map((one) => {
      const look = looks.find((other) => other.entry === one.entry);
      const firing = everyFiring().find((other) => sameFiring(other, look)) || { ...look, dwell_s: Number(look.dwell_s) || 0 };
      const correct = () => { setView("grade"); openPanel(firing); };
      const buttons = [
        make("button", { type: "button", text: "It is so", press: () => confirmLook(look) }),
        make("button", { type: "button", text: "Correct it", press: correct }),
      ];
      return make("li", {}, make("p", { text: one.message }), make("div", { class: "row" }, ...buttons));
    }),
  );
  byId("doubts-lead").hidden = !asked.length;
  return asked.length;
}

function showLooks() {
  refill(
    "refused",
    [refused(), allLooks()],
    refused().map((one) => {
      const { look } = one;
      const clash = one.refused.status === 409;
      const theirs = standing(look)[0];
      const buttons = [];
      if (clash && theirs) {
        buttons.push(make("button", { type: "button", text: "Correct it to mine", press: () => takeAnyway(one, superseding(theirs)) }));
        if (look.observer && theirs.observer && !sameName(look, theirs) && !look.change) {
          buttons.push(make("button", { type: "button", text: "Second opinion", press: () => takeAnyway(one, "") }));
        }
      }
      const drop = () => {
        dropEntry(one);
        photos.drop(look.entry).catch(() => null);
        changed();
      };
      buttons.push(make("button", { type: "button", text: "Drop mine", press: drop }));
      const words = `${marked(look.tile)}, ${look.stage || look.change || "no grade"}, was not taken: ${one.refused.message}`;
      return make("li", {}, make("p", { text: words }), make("div", { class: "row" }, ...buttons));
    }),
  );
  const looks = allLooks();
  byId("no-looks").hidden = looks.length > 0;
  refill(
    "looks",
    [looks, everyFiring()],
    looks
      .reverse()
      .map((look) => {
        const score = look.transparency === null || look.transparency === undefined ? "" : `, clarity ${look.transparency}`;
        const by = look.observer ? `, ${look.observer}` : "";
        const waits = look.waits ? " (waits on this phone)" : "";
        const firing = everyFiring().find((one) => sameFiring(one, look)) || { ...look, dwell_s: Number(look.dwell_s) || 0 };
        return make(
          "li",
          {},
          make(
            "button",
            { type: "button", class: "tile", press: () => { setView("grade"); openPanel(firing); } },
            make("span", { class: "code", text: marked(look.tile) }),
            make("span", { class: "state", text: isLost(look) ? `lost${waits}` : `${look.stage || "no grade"}${score}${by}${waits}` }),
            make("span", { class: "setting", text: [look.defects, look.note].filter(Boolean).join("; ") }),
          ),
        );
      }),
  );
}

function showBar() {
  const last = done().slice(-1)[0];
  const undone = kept.read("undone", "");
  byId("bar").hidden = !last && !undone;
  byId("undo").hidden = !last;
  const words = undone ? `Undone: ${undone}` : last ? last.words : "";
  // how long a tile was in is nothing for who grades it
  setText("bar-words", document.body.dataset.view === "grade" ? words.replace(/ out after .*/, " out") : words);
}

function setView(view) {
  document.body.dataset.view = view;
  for (const button of document.querySelectorAll("nav button")) {
    if (button.dataset.view === view) button.setAttribute("aria-current", "page");
    else button.removeAttribute("aria-current");
  }
}
