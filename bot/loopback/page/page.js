// The page of a working clinic. It keeps what every person sees, shows one
// patient and one member of staff, and follows the server's events. All text
// from the server is inserted as text.
"use strict";

const sides = ["patient", "staff"];
const people = new Map(); // chat -> contact with messages
const chosen = { patient: 0, staff: 0 };
const unread = new Map(); // chat -> number
const $ = (id) => document.getElementById(id);

// make builds an element: a tag with classes, properties, children.
function make(tag, properties = {}, ...children) {
  const [name, ...classes] = tag.split(".");
  const node = document.createElement(name);
  node.className = classes.join(" ");
  for (const [key, value] of Object.entries(properties)) {
    if (key.includes("-")) node.setAttribute(key, value);
    else node[key] = value;
  }
  node.append(...children.filter((c) => c !== null));
  return node;
}

const hour = (at) => at.slice(11, 16);
const dayOf = (at) => at.slice(0, 10);

function dayName(at, long) {
  const options = { weekday: long ? "long" : "short", day: "numeric", month: long ? "long" : "short", timeZone: "UTC" };
  return new Date(dayOf(at) + "T00:00:00Z").toLocaleDateString("en-GB", options);
}

async function act(action) {
  const answer = await fetch("/act", { method: "POST", body: JSON.stringify(action) });
  const { said } = await answer.json();
  say(said);
  return answer.ok;
}

const say = (text) => { $("said").textContent = text || ""; };

// --- the clock ---

function showClock(now, zone) {
  $("day").textContent = dayName(now, true) + " " + now.slice(0, 4);
  $("hour").textContent = hour(now);
  $("zone").textContent = zone;
  $("now").dateTime = now;
}

async function moveClock(how) {
  const buttons = document.querySelectorAll("[data-clock]");
  const had = document.activeElement;
  buttons.forEach((b) => { b.disabled = true; });
  document.body.setAttribute("aria-busy", "true");
  try {
    await act(how === "next" ? { do: "next" } : { do: "forward", text: how });
  } catch {
    say("The clock did not answer. Is the program still running?");
  } finally {
    buttons.forEach((b) => { b.disabled = false; });
    document.body.removeAttribute("aria-busy");
    had?.focus({ preventScroll: true });
  }
}

// --- people ---

function showPeople(side) {
  const list = $("people-" + side);
  list.replaceChildren(...[...people.values()].filter((p) => p.side === side).map((p) => {
    const button = make("button", { type: "button", onclick: () => choose(p.chat) },
      make("span", {}, p.name), make("span.count", {}, count(unread.get(p.chat))), p.note ? make("small", {}, p.note) : null);
    button.dataset.chat = p.chat;
    button.setAttribute("aria-current", String(chosen[side] === p.chat));
    return make("li", {}, button);
  }));
  const all = [...people.values()].filter((p) => p.side === side).reduce((n, p) => n + (unread.get(p.chat) || 0), 0);
  $("count-" + side).textContent = count(all);
}

const count = (n) => (n ? String(n) : "");

function choose(chat) {
  const person = people.get(chat);
  if (!person) return;
  const held = document.activeElement?.dataset.chat;
  chosen[person.side] = chat;
  unread.delete(chat);
  showPeople(person.side);
  showTalk(person.side);
  if (held) document.querySelector(`[data-chat="${held}"]`)?.focus();
}

// moveChoice lets the arrow keys walk through a list of people.
function moveChoice(event) {
  const step = { ArrowDown: 1, ArrowRight: 1, ArrowUp: -1, ArrowLeft: -1 }[event.key];
  if (!step || !event.target.dataset.chat) return;
  event.preventDefault();
  const all = [...event.currentTarget.querySelectorAll("button")];
  all[(all.indexOf(event.target) + step + all.length) % all.length].focus();
}

// givenName leaves out a handle, which holds a digit.
const givenName = (person) => person.name.split(" ").find((word) => !/\d/.test(word)) || person.name;

// --- conversations ---

function showTalk(side) {
  const person = people.get(chosen[side]);
  const lines = $("lines-" + side);
  $("form-" + side).hidden = !person;
  if (!person) return;
  $("name-" + side).textContent = person.name;
  $("note-" + side).textContent = person.blocked ? "has blocked the clinic" : person.note;
  lines.lang = person.language || "en";
  lines.ariaLive = "off"; // an old conversation is not news
  lines.replaceChildren();
  for (const m of person.messages) addLine(lines, person, m);
  requestAnimationFrame(() => { lines.ariaLive = "polite"; });
  lines.atEnd = true;
  lines.scrollTop = lines.scrollHeight;
  const form = $("form-" + side);
  form.querySelector("[data-block]").textContent = person.blocked ? "Unblock the clinic" : "Block the clinic";
  form.querySelector("textarea").placeholder = "Write as " + givenName(person) + "…";
}

function addLine(lines, person, m) {
  if (lines.dataset.day !== dayOf(m.at) || !lines.lastChild) {
    lines.dataset.day = dayOf(m.at);
    lines.append(make("li.day", { lang: "en" }, dayName(m.at, true)));
  }
  lines.append(line(person, m));
}

function line(person, m) {
  const by = m.from === "bot" ? "Clinic" : person.name;
  const notes = [m.edited ? "edited" : "", m.silent ? "without a sound" : ""].filter(Boolean).join(", ");
  const body = make("div", {},
    make("div.by", { lang: "en" }, by, notes ? make("span.aside", {}, " " + notes) : ""),
    m.text ? make("div.said", {}, m.text) : null,
    m.file ? attachment(m.file) : null,
    m.buttons ? keyboard(person, m) : null);
  const node = make("li.line." + m.from, {}, make("time", { dateTime: m.at }, hour(m.at)), body);
  node.dataset.id = m.id;
  return node;
}

function attachment(file) {
  const address = "/attachment/" + encodeURIComponent(file.id);
  if (file.kind === "photo" && /\.(png|jpe?g)$/i.test(file.name)) {
    const picture = make("img", { src: address, alt: file.name, onload: () => stayAtEnd(picture) });
    return make("figure", {}, picture);
  }
  const size = file.size < 1024 ? file.size + " bytes" : Math.round(file.size / 1024) + " kB";
  if (file.kind === "document") {
    return make("figure", {}, make("a.file", { href: address, download: file.name }, file.name), make("span", {}, " " + size));
  }
  return make("figure", {}, make("span.aside", { lang: "en" }, "a " + file.kind));
}

// stayAtEnd keeps the newest line in view when a picture above it has grown,
// unless somebody has scrolled back to read.
function stayAtEnd(picture) {
  const lines = picture.closest(".lines");
  if (lines && lines.atEnd !== false) lines.scrollTop = lines.scrollHeight;
}

function noteScroll(event) {
  const lines = event.target;
  lines.atEnd = lines.scrollHeight - lines.scrollTop - lines.clientHeight < 40;
}

function keyboard(person, m) {
  return make("div.rows", {}, ...m.buttons.map((row, r) => make("div", {}, ...row.map((label, c) =>
    make("button", { type: "button", onclick: () => act({ do: "press", chat: person.chat, message: m.id, row: r, column: c }) }, label)))));
}

// --- the log ---

function showLog() {
  const sent = [...people.values()].flatMap((p) => p.messages.filter((m) => m.from === "bot").map((m) => ({ p, m })));
  sent.sort((a, b) => (a.m.at < b.m.at ? 1 : a.m.at > b.m.at ? -1 : b.m.id - a.m.id));
  let day = "";
  const rows = [];
  for (const { p, m } of sent.slice(0, 300)) {
    if (dayOf(m.at) !== day) {
      day = dayOf(m.at);
      rows.push(make("li.day", {}, dayName(m.at, true)));
    }
    const what = m.text || (m.file ? m.file.name : "");
    rows.push(make("li", {}, make("button", { type: "button", title: m.text, onclick: () => open(p) },
      make("time", { dateTime: m.at }, hour(m.at)), make("span", {}, p.name), make("span", { lang: p.language || "en" }, what))));
  }
  $("log").replaceChildren(...rows);
}

function open(person) {
  choose(person.chat);
  show(person.side);
}

// --- panes on a narrow screen ---

function show(pane) {
  document.body.dataset.pane = pane;
  document.querySelectorAll("[data-show]").forEach((b) => b.setAttribute("aria-current", String(b.dataset.show === pane)));
}

// --- what the server tells ---

let logDue = false;
function logSoon() {
  if (logDue) return;
  logDue = true;
  requestAnimationFrame(() => { logDue = false; showLog(); });
}

// While the state is being fetched, events wait: the state may be older than
// they are.
let waiting = null;

function follow(event) {
  if (waiting) {
    waiting.push(event);
    return;
  }
  showClock(event.now, event.zone);
  if (event.kind === "lost") return load();
  const person = people.get(event.chat);
  if (event.kind === "blocked" || event.kind === "unblocked") {
    if (person) person.blocked = event.kind === "blocked";
    if (person && chosen[person.side] === person.chat) showTalk(person.side);
    return;
  }
  if (!event.message) return;
  if (!person) return load();
  if (keep(person, event.message) === "new") arrived(person, event.message);
  else if (chosen[person.side] === person.chat) replaceLine(person, event.message);
  logSoon();
}

function keep(person, message) {
  const at = person.messages.findIndex((m) => m.id === message.id);
  if (at < 0) {
    person.messages.push(message);
    return "new";
  }
  person.messages[at] = message;
  return "old";
}

function arrived(person, message) {
  if (chosen[person.side] !== person.chat) {
    if (message.from === "bot") unread.set(person.chat, (unread.get(person.chat) || 0) + 1);
    showPeople(person.side);
    return;
  }
  const lines = $("lines-" + person.side);
  addLine(lines, person, message);
  lines.lastChild.classList.add("fresh");
  lines.atEnd = true;
  lines.scrollTop = lines.scrollHeight;
}

function replaceLine(person, message) {
  const lines = $("lines-" + person.side);
  const old = lines.querySelector(`[data-id="${message.id}"]`);
  if (!old) return;
  const had = old.contains(document.activeElement);
  old.replaceWith(line(person, message));
  if (had) $("text-" + person.side).focus();
}

async function load() {
  if (waiting) return;
  waiting = [];
  let state;
  try {
    state = await (await fetch("/state")).json();
  } finally {
    const events = waiting;
    waiting = null;
    if (state) showAll(state);
    events.forEach(follow);
  }
}

function showAll(state) {
  people.clear();
  for (const p of state.people) people.set(p.chat, p);
  showClock(state.now, state.zone);
  for (const side of sides) {
    if (!people.has(chosen[side])) {
      chosen[side] = [...people.values()].find((p) => p.side === side)?.chat || 0;
    }
    showPeople(side);
    showTalk(side);
  }
  showLog();
}

// --- wiring ---

function wireForm(form) {
  const side = form.dataset.side;
  const text = form.querySelector("textarea");
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    if (text.value.trim() && await act({ do: "write", chat: chosen[side], text: text.value.trim() })) text.value = "";
  });
  text.addEventListener("keydown", (e) => {
    if (e.key === "Enter" && !e.shiftKey && !e.isComposing) {
      e.preventDefault();
      form.requestSubmit();
    }
  });
  form.querySelectorAll("[data-send]").forEach((b) => b.addEventListener("click", () => {
    b.closest("details").open = false;
    act({ do: "send", chat: chosen[side], text: b.dataset.send });
  }));
  form.querySelector("[data-block]").addEventListener("click", (e) => {
    e.target.closest("details").open = false;
    act({ do: people.get(chosen[side]).blocked ? "unblock" : "block", chat: chosen[side] });
  });
}

function wireKeys() {
  document.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey || e.target.matches("textarea, input")) return;
    const how = { n: "next", h: "1h", d: "24h" }[e.key];
    const button = how && document.querySelector(`[data-clock="${how}"]`);
    if (button && !button.disabled) moveClock(how);
  });
}

function listen() {
  const events = new EventSource("/events");
  let broken = false;
  events.onmessage = (e) => follow(JSON.parse(e.data));
  events.onerror = () => {
    broken = true;
    say("The connection to the program is gone; trying again.");
  };
  events.onopen = () => {
    if (broken) say("");
    broken = false;
    load();
  };
}

document.querySelectorAll("[data-clock]").forEach((b) => b.addEventListener("click", () => moveClock(b.dataset.clock)));
document.querySelectorAll("[data-show]").forEach((b) => b.addEventListener("click", () => show(b.dataset.show)));
document.querySelectorAll("form").forEach(wireForm);
for (const side of sides) {
  $("people-" + side).addEventListener("keydown", moveChoice);
  $("lines-" + side).addEventListener("scroll", noteScroll);
}
wireKeys();
show("patient");
listen();
