// The panel of one tile, and everything that is set going when the page opens.
let isSighted = false;

function openPanel(firing) {
  open = firing;
  const looks = standing(firing);
  const mine = looks.find((one) => sameName(one, { observer: observer() })) || looks[0];
  const time = timeOf(firing);
  byId("panel").hidden = byId("grade-dock").hidden = false;
  setText("panel-heading", firing.look > 1 ? `${marked(firing.tile)} look ${firing.look}` : marked(firing.tile));
  showSetting(false);
  byId("panel-standing").hidden = !looks.length;
  setText("panel-standing", gradeWords(firing));
  const canBeSecond = looks.length > 0 && observer() && looks.every((one) => one.observer && !sameName(one, { observer: observer() }));
  byId("panel-choice").hidden = !canBeSecond;
  chooseAs(canBeSecond ? "second" : "correction");
  const dwell = (mine && mine.dwell_s) || (time && time.dwell_s);
  byId("dwell").value = dwell ? clockText(Number(dwell)) : "";
  byId("dwell").dataset.exact = dwell || "";
  byId("dwell").placeholder = `${clockText(firing.dwell_s)} as planned`;
  byId("note").value = mine && openAs === "correction" ? mine.note || "" : "";
  byId("photo").value = "";
  setText("photo-words", "");
  const had = mine && openAs === "correction" ? (mine.defects || "").split("; ").filter(Boolean) : [];
  showDefects(had);
  showScore(mine && openAs === "correction" ? mine.transparency : null);
  const after = { ...firing, look: Number(firing.look) + 1 };
  byId("again").hidden = !looks.length || everyFiring().some((one) => sameFiring(one, after));
  allowGrades(isFired(firing));
  showGradeTiles();
  document.querySelector("main").scrollTop = 0;
}

// Seeing the setting is a choice, and the log says so.
function showSetting(is) {
  isSighted = is;
  byId("sighted").hidden = !is;
  byId("see-setting").hidden = is;
  if (is) setText("panel-setting", `${clockText(open.dwell_s)}. ${open.setting || ""}`);
  else setText("panel-setting", "");
}

function allowGrades(is) {
  byId("not-fired").hidden = is;
  for (const button of byId("grades").children) button.disabled = !is;
}

function closePanel() {
  open = null;
  byId("panel").hidden = byId("grade-dock").hidden = true;
  showGradeTiles();
  showNext();
}

function chooseAs(as) {
  openAs = as;
  byId("as-correction").setAttribute("aria-pressed", String(as === "correction"));
  byId("as-second").setAttribute("aria-pressed", String(as === "second"));
}

function showDefects(had) {
  const usual = bay.series.defects;
  const words = [...usual, ...had.filter((word) => !usual.includes(word))];
  byId("defects").replaceChildren(
    ...words.map((word) => {
      const press = (event) => {
        const button = event.currentTarget;
        button.setAttribute("aria-pressed", String(button.getAttribute("aria-pressed") !== "true"));
      };
      return make("button", { type: "button", text: word, "aria-pressed": String(had.includes(word)), press });
    }),
  );
}

function showScore(score) {
  const scale = bay.series.score;
  byId("score-field").hidden = !scale;
  if (!scale) return;
  const slider = byId("score");
  Object.assign(slider, { min: scale.low, max: scale.high, step: scale.step });
  isScored = score !== null && score !== undefined;
  slider.value = isScored ? score : (scale.low + scale.high) / 2;
  const up = scale.direction.startsWith("higher");
  setText("score-low", `${scale.low} ${up ? "cloudy" : "clear"}`);
  setText("score-high", `${scale.high} ${up ? "clear" : "cloudy"}`);
  showScoreWords();
}

function showScoreWords() {
  setText("score-words", isScored ? String(Number(byId("score").value)) : "not scored");
}

// The time as it was taken, to a tenth, unless a person wrote another.
function writtenDwell() {
  const { value, dataset } = byId("dwell");
  if (dataset.exact && value === clockText(Number(dataset.exact))) return Number(dataset.exact);
  return value.trim() || null;
}

function seenNow(stage) {
  const pressed = [...byId("defects").children].filter((one) => one.getAttribute("aria-pressed") === "true");
  return {
    stage,
    dwell_s: openAs === "second" ? standing(open)[0].dwell_s || null : writtenDwell(),
    transparency: bay.series.score && isScored ? Number(byId("score").value) : null,
    defects: pressed.map((one) => one.textContent).join("; ") || null,
    note: byId("note").value.trim() || null,
  };
}

async function grade(stage) {
  const firing = open;
  const seen = seenNow(stage);
  if (!stage && !seen.defects && !seen.note) {
    setText("panel-standing", "Say what happened: a defect or a note");
    byId("panel-standing").hidden = false;
    return;
  }
  const file = byId("photo").files[0];
  const one = stage ? keepLook(firing, seen, { as: openAs, isSighted }) : keepLoss(firing, seen);
  closePanel();
  if (bay.one_at_a_time && !openFirings().length) setView("next");
  byId("undo").focus({ preventScroll: true });
  if (!file) return;
  try {
    await photos.put(one.look.entry, await smallPhoto(file));
    send();
  } catch {
    remember({ kind: "photo", words: `${marked(firing.tile)}: this browser could not keep the photo` });
  }
}

// Drawn anew at a modest size, a photo also loses its place and time data.
async function smallPhoto(file) {
  const picture = await createImageBitmap(file);
  const scale = Math.min(1, 1600 / Math.max(picture.width, picture.height));
  const sheet = document.createElement("canvas");
  sheet.width = Math.round(picture.width * scale);
  sheet.height = Math.round(picture.height * scale);
  sheet.getContext("2d").drawImage(picture, 0, 0, sheet.width, sheet.height);
  const blob = await new Promise((done) => sheet.toBlob(done, "image/jpeg", 0.85));
  return blob.arrayBuffer();
}

function fireAgain() {
  const written = byId("again-dwell").value.trim();
  const parts = written.split(":").map(Number);
  const seconds = parts.length === 2 ? 60 * parts[0] + parts[1] : parts[0];
  if (!(seconds >= 10 && seconds <= 3600)) {
    byId("again-dwell").value = "0:30";
    return;
  }
  const firing = { ...open, look: Number(open.look) + 1, load: shownLoad, dwell_s: seconds };
  kept.write("again", [...again(), firing]);
  chosen.add(firingKey(firing));
  closePanel();
  setView("kiln");
  changed();
}

// One's own photograph of a grade, where there is one.
const drawn = {};

function reference(name) {
  const kept64 = (bay.references || {})[name];
  if (!kept64) return [];
  if (!drawn[kept64]) {
    const bytes = Uint8Array.from(atob(kept64), (sign) => sign.charCodeAt(0));
    drawn[kept64] = URL.createObjectURL(new Blob([bytes], { type: "image/jpeg" }));
  }
  return [make("img", { src: drawn[kept64], alt: "" })];
}

function showGrades() {
  byId("grades").replaceChildren(
    ...bay.series.grades.map((one) =>
      make(
        "button",
        { type: "button", press: () => grade(one.name) },
        ...reference(one.name),
        make("span", { class: "name", text: one.name }),
        make("span", { class: "words", text: one.words }),
      ),
    ),
  );
}

function take(state) {
  bay = state;
  kept.write("bay", state);
  makeRoom();
  setText("series", `${state.series.name}: ${state.series.colour}`);
  byId("invented").hidden = !state.series.invented;
  if (!open) showGrades();
  if (!isSeen) {
    isSeen = true;
    chooseLoad(nextLoad());
    if (state.one_at_a_time && !openFirings().length) setView("next");
  }
  if (shownLoad === null) chooseLoad(nextLoad());
  changed();
}

let asked = 0;
let answered = 0;
let pending = 0;

// Answers may overtake one another: one that was asked for earlier is left, and so is a
// state that was asked for before this phone learnt more.
async function poll() {
  const turn = (asked += 1);
  const knew = learnt;
  let answer = null;
  let content = {};
  pending += 1;
  try {
    answer = await ask(`/api/state?since=${encodeURIComponent(isSeen && !isAway ? bay.version : "")}`);
    if (answer.status !== 204) content = await answer.json();
  } catch {
    answer = null;
  }
  pending -= 1;
  if (turn < answered) return;
  answered = turn;
  isOut = Boolean(answer && answer.status === 403) || (isOut && !(answer && answer.ok));
  if (!answer) away(true);
  else if (answer.ok) away(false);
  else if (!isOut) away(true, content.message);
  if (answer && answer.status === 200) {
    if (knew === learnt) take(content);
    else setTimeout(poll, 0);
  }
  showLink();
  showNext();
  if (!isAway && !isOut) send();
  askNext();
  keepPage();
}

async function join() {
  const key = new URLSearchParams(location.search).get("key");
  if (!key) return;
  try {
    const known = kept.read("token", "") ? await ask("/api/state") : null;
    const isKnown = known && known.status !== 403;
    const answer = isKnown ? known : await askJson("/api/join", { key, token: token() });
    if (answer.ok) history.replaceState(null, "", "/");
  } catch {
    away(true);
  }
}

function wire() {
  const on = (name, act, kind = "click") => byId(name).addEventListener(kind, act);
  const step = (by) => () => {
    const place = loads().findIndex((one) => one.load === shownLoad) + by;
    if (!loads()[place]) return;
    chooseLoad(loads()[place].load);
    changed();
  };
  on("load-back", step(-1));
  on("load-on", step(1));
  on("reading", (event) => kept.write(`reading/${shownLoad}`, event.target.value.trim()), "input");
  on("door", pressDoor);
  on("panel-close", closePanel);
  on("as-correction", () => chooseAs("correction"));
  on("as-second", () => chooseAs("second"));
  on("score", () => { isScored = true; showScoreWords(); }, "input");
  on("score-none", () => { isScored = false; showScoreWords(); });
  on("photo", () => setText("photo-words", "kept with the look"), "change");
  on("no-grade", () => grade(""));
  on("see-setting", () => showSetting(true));
  on("as-planned", () => allowGrades(true));
  const call = (name) => { kept.write("observer", name); kept.write("who", true); byId("observer").value = name; changed(); };
  on("who-go", () => call(byId("who-name").value.trim()));
  on("again-go", fireAgain);
  on("next-go", goNext);
  on("next-name", () => nameless().length && giveCode(nameless()[0]));
  on("next-show", showBelieved);
  on("undo", undoLast);
  on("observer", (event) => { kept.write("observer", event.target.value.trim()); kept.write("who", true); }, "input");
  byId("observer").value = observer();
  for (const button of document.querySelectorAll("nav button")) {
    button.addEventListener("click", () => { setView(button.dataset.view); changed(); askNext(); });
  }
  window.addEventListener("online", poll);
  window.addEventListener("storage", changed);
  window.addEventListener("beforeunload", (event) => {
    if (isAway && !isPageKept) event.preventDefault(); // the browser asks before it leaves
  });
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) return;
    stayLit();
    poll();
  });
}

async function start() {
  wire();
  const before = kept.read("bay", null);
  if (before) take(before); // the page works on what it knew until the server answers
  await join();
  await poll();
  setInterval(tick, 200);
  setInterval(() => pending || poll(), 3000);
}

// The page is kept for a reload without connection, where the browser allows it.
let isPageKept = Boolean(navigator.serviceWorker && navigator.serviceWorker.controller);

function pageIsKept(is) {
  isPageKept = is;
  byId("page-open").hidden = is;
  showLink();
}

// The browser's own copy opens by the address where no service worker runs. A page that
// was opened from an old copy gives way to the new one, once there is a connection and
// nobody is at a tile. Returns false where that is still to come.
async function renewPage() {
  if (isAway) return false;
  try {
    const newest = await (await fetch("/", { cache: "reload" })).text();
    const own = document.documentElement.dataset.page;
    if (!newest.includes("data-page=") || newest.includes(`data-page="${own}"`)) return true;
    if (!open) location.reload();
    return !open;
  } catch {
    return false; // without connection the copy is all there is
  }
}

let isRenewed = false;

async function keepPage() {
  if (isRenewed) return;
  isRenewed = true;
  isRenewed = await renewPage();
  pageIsKept(isPageKept);
  if (!isRenewed) return;
  try {
    navigator.serviceWorker.addEventListener("message", () => pageIsKept(true));
    await navigator.serviceWorker.register("/worker.js");
    const ready = await navigator.serviceWorker.ready;
    ready.active.postMessage("keep");
  } catch {
    // over plain http a browser keeps no page, and it lives until it is closed
  }
}

start();
