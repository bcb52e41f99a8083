"use strict";
// Pictures and state are fetched with the token in a header: an <img src> could not carry one,
// and a token in an address would end up in logs.
const by = (id) => document.getElementById(id);
const cards = new Map();
let token = sessionStorage.getItem("token") || "";

function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

async function ask(path, options = {}) {
  const headers = { ...(options.headers || {}) };
  if (token) headers.Authorization = `Bearer ${token}`;
  const response = await fetch(path, { ...options, headers, signal: AbortSignal.timeout(8000) });
  if (response.status === 401) {
    by("login").hidden = false;
    if (token) say(by("login-fault"), "This token is not the right one.");
  }
  if (!response.ok) throw new Error(String(response.status));
  return response;
}

async function show(image, path) {
  const blob = await (await ask(path)).blob();
  const old = image.src;
  image.src = URL.createObjectURL(blob);
  if (old.startsWith("blob:")) URL.revokeObjectURL(old);
}

function card(name) {
  if (!cards.has(name)) {
    const made = by("camera").content.cloneNode(true).firstElementChild;
    made.querySelector("h2").textContent = name;
    by("cameras").append(made);
    cards.set(name, { element: made, last: null, reference: null });
    mark(name, made, false);
  }
  return cards.get(name);
}

// a picture of a camera that is gone must not pass for what the machine does now
function mark(name, element, good) {
  const figure = element.querySelector(".live");
  figure.querySelector("img").alt = good ? `${name}, live` : `${name}, not live`;
  say(figure.querySelector("figcaption"), good ? "Live" : "Not live: the last picture that came");
  element.classList.toggle("bad", !good);
}

async function frame(name, entry, which, shot, words) {
  if (shot === null || entry[which] === shot) return;
  entry[which] = shot;
  const figure = entry.element.querySelector(`.${which}`);
  const image = figure.querySelector("img");
  try {
    await show(image, `/cameras/${encodeURIComponent(name)}/${which}.jpg`);
    image.alt = `${name}, shot ${shot}`;
    say(figure.querySelector("figcaption"), `${words}: shot ${shot}`);
  } catch (error) {
    entry[which] = null;
  }
}

const AGES = {
  stamp: (age) => `Its driver proves when each picture was exposed (${age} old at most).`,
  light: (age) => `Its light proves when each picture was exposed (${age} old at most).`,
  assumed: () => "The age of its pictures is taken from the rig file, not proven.",
  unknown: () => "Unknown age of its pictures: nothing proves that a frame is fresh.",
};

function age(state) {
  const known = AGES[state.age_by] || AGES.unknown;
  return known(state.age_s === null || state.age_s === undefined ? "age not yet measured" : `${Math.round(1000 * state.age_s)} ms`);
}

function camera(name, state) {
  const entry = card(name);
  const good = state.state === "live";
  say(entry.element.querySelector(".age"), age(state));
  mark(name, entry.element, good);
  const words = good ? `live, ${state.fps} pictures a second` : `${state.state}${state.fault ? `: ${state.fault}` : ""}`;
  say(entry.element.querySelector(".state"), words);
  say(entry.element.querySelector(".counts"), `${state.taken} frames taken (${state.proven || 0} proven fresh), ${state.missed} missed, ${state.reconnects} reconnects`);
  frame(name, entry, "last", state.last, "Last");
  frame(name, entry, "reference", state.reference, "Reference");
}

function lights(state) {
  const share = `${(100 * state.share).toFixed(1)} % of the session`;
  let words = "No light is set up in the rig file.";
  if (state.count) {
    words = state.on ? "On" : "Off";
    if (state.held_s) words += `, kept on for ${Math.ceil(state.held_s / 60)} more min`;
    words += `. Was on for ${share}.`;
    if (state.fault) words += ` Fault: ${state.fault}.`;
  }
  say(by("light-state"), words);
  by("hold").disabled = !state.count;
  by("release").disabled = !state.held_s;
}

const maps = new Map();

function looks(all) {
  by("looks").hidden = !all.length;
  for (const look of all) {
    if (!maps.has(look.layer)) {
      const item = document.createElement("li");
      item.append(document.createElement("p"), document.createElement("img"));
      item.lastChild.hidden = true;
      item.lastChild.alt = `Layer ${look.layer} from straight above`;
      by("look-list").append(item);
      maps.set(look.layer, { item, shown: "" });
    }
    const entry = maps.get(look.layer);
    const [words, image] = entry.item.children;
    say(words, `Layer ${look.layer}: ${look.state}${look.words ? `, ${look.words}` : ""}`);
    entry.item.className = look.state.replace(" ", "-");
    const done = look.whole && ["sound", "found", "cannot tell"].includes(look.state);
    if (!done || entry.shown === look.state) continue;
    entry.shown = look.state;
    show(image, `/layers/${look.layer}.png`).then(() => { image.hidden = false; }, () => { entry.shown = ""; });
  }
}

function time(seconds) {
  const whole = Math.round(seconds);
  const minutes = Math.round(whole / 60);
  if (minutes >= 120) return `${Math.floor(minutes / 60)} h ${minutes % 60} min`;
  return whole < 90 ? `${whole} s` : `${minutes} min`;
}

function render(state) {
  by("login").hidden = true;
  say(by("done"), String(state.done));
  say(by("shots"), String(state.shots));
  by("bar").max = Math.max(1, state.shots);
  by("bar").value = state.done;
  const due = state.due_in_s === null ? "" : `, in about ${time(state.due_in_s)}`;
  const next = state.next && `Next: shot ${state.next.shot}, layer ${state.next.layer} of ${state.layers}${due}`;
  const left = state.left_s == null ? "" : `. The print will take about ${time(state.left_s)} more`;
  say(by("next"), state.ended ? "This print has ended; the next one begins another run" : next ? next + left : "All shots are done");
  for (const [name, value] of Object.entries(state.cameras)) camera(name, value);
  lights(state.lights);
  looks(state.looks);
  by("troubles").hidden = !state.troubles.length;
  list(by("trouble-list"), state.troubles.map((trouble) => [`${new Date(1000 * trouble.since).toLocaleTimeString()}: ${trouble.text}`]), "li");
  const alarms = state.alarms || [];
  by("alarms").hidden = !alarms.length;
  list(by("alarm-list"), alarms.map((alarm) => [`${alarm.text}: not delivered by ${alarm.route} after ${alarm.tries} tries (${alarm.fault})`]), "li");
  say(by("note-count"), String(state.notes.length));
  list(by("note-rows"), state.notes.slice().reverse().map((note) => [note.shot, note.camera, note.state, note.note]), "tr");
}

function list(parent, rows, tag) {
  const key = JSON.stringify(rows);
  if (parent.dataset.key === key) return; // an unchanged alert is not read out again
  parent.dataset.key = key;
  parent.replaceChildren(...rows.map((cells) => {
    const row = document.createElement(tag);
    if (tag === "li") row.textContent = cells[0];
    else for (const cell of cells) row.insertCell().textContent = String(cell);
    return row;
  }));
}

async function every(pause, work) {
  for (;;) {
    if (!document.hidden) await work();
    await new Promise((done) => setTimeout(done, pause));
  }
}

async function look() {
  try {
    render(await (await ask("/status")).json());
    say(by("connection"), "Connected");
  } catch (error) {
    say(by("connection"), error.message === "401" ? "A token is needed" : "The service does not answer");
    for (const [name, entry] of cards) mark(name, entry.element, false);
  }
}

async function live() {
  for (const [name, entry] of cards) {
    try {
      await show(entry.element.querySelector(".live img"), `/cameras/${encodeURIComponent(name)}/live.jpg`);
    } catch (error) {
      // its state says why
    }
  }
}

async function hold(minutes) {
  const body = JSON.stringify({ minutes });
  try {
    await ask("/light", { method: "POST", headers: { "Content-Type": "application/json" }, body });
  } finally {
    look();
  }
}

by("hold").addEventListener("click", () => hold(10));
by("release").addEventListener("click", () => hold(0));
by("login").addEventListener("submit", (event) => {
  event.preventDefault();
  token = by("token").value.trim();
  sessionStorage.setItem("token", token);
  look();
});
every(1000, look);
every(400, live);
