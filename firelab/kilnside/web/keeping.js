"use strict";
// What this phone keeps: entries, times and its token, through reloads and lost connections.
const bench = document.body.dataset.bench;
const memory = new Map();

const kept = {
  key: (name) => `firelab/${bench}/${name}`,
  read(name, otherwise) {
    const text = memory.has(name) ? memory.get(name) : storage(() => localStorage.getItem(kept.key(name)));
    try {
      return text === null || text === undefined ? otherwise : JSON.parse(text);
    } catch {
      return otherwise;
    }
  },
  write(name, value) {
    const text = JSON.stringify(value);
    try {
      localStorage.setItem(kept.key(name), text);
      memory.delete(name);
      return true;
    } catch {
      memory.set(name, text); // storage is full or closed: hold it while the page is open
      return false;
    }
  },
  drop(name) {
    memory.delete(name);
    storage(() => localStorage.removeItem(kept.key(name)));
  },
  names(start) {
    const all = new Set([...memory.keys()]);
    const first = kept.key("");
    const count = storage(() => localStorage.length) || 0;
    for (let place = 0; place < count; place += 1) {
      const key = localStorage.key(place);
      if (key && key.startsWith(first)) all.add(key.slice(first.length));
    }
    return [...all].filter((name) => name.startsWith(start)).sort();
  },
};

function storage(use) {
  try {
    return use();
  } catch {
    return null;
  }
}

const SIGNS = "abcdefghijklmnopqrstuvwxyz0123456789";
const ENTRY_LENGTH = 20;

function randomName(length) {
  let name = "";
  while (name.length < length) {
    for (const byte of crypto.getRandomValues(new Uint8Array(2 * length))) {
      if (byte < 252 && name.length < length) name += SIGNS[byte % 36];
    }
  }
  return name;
}

const two = (number) => String(number).padStart(2, "0");

// The phone's own clock with its time zone, as ISO 8601.
function momentText(milliseconds) {
  const at = new Date(milliseconds);
  const ahead = -at.getTimezoneOffset();
  const sign = ahead < 0 ? "-" : "+";
  const zone = `${sign}${two(Math.floor(Math.abs(ahead) / 60))}:${two(Math.abs(ahead) % 60)}`;
  const date = `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())}`;
  return `${date}T${two(at.getHours())}:${two(at.getMinutes())}:${two(at.getSeconds())}${zone}`;
}

function clockText(seconds) {
  const whole = Math.max(0, Math.round(seconds));
  return `${Math.floor(whole / 60)}:${two(whole % 60)}`;
}

// Photos wait in a database of the browser; localStorage is too small for them.
const photos = {
  open() {
    return new Promise((done, failed) => {
      const asked = indexedDB.open(`firelab-${bench}`, 1);
      asked.onupgradeneeded = () => asked.result.createObjectStore("photos");
      asked.onsuccess = () => done(asked.result);
      asked.onerror = () => failed(asked.error);
    });
  },
  async use(mode, act) {
    const base = await photos.open();
    try {
      return await new Promise((done, failed) => {
        const turn = base.transaction("photos", mode);
        const asked = act(turn.objectStore("photos"));
        turn.oncomplete = () => done(asked.result);
        turn.onabort = () => failed(turn.error);
      });
    } finally {
      base.close();
    }
  },
  put: (entry, picture) => photos.use("readwrite", (store) => store.put(picture, entry)),
  get: (entry) => photos.use("readonly", (store) => store.get(entry)),
  drop: (entry) => photos.use("readwrite", (store) => store.delete(entry)),
  names: () => photos.use("readonly", (store) => store.getAllKeys()),
};
