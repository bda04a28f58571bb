// Comfort only: every page works without this. Nothing is loaded from elsewhere.
"use strict";

// The lists of today, looked at again every 30 seconds. Looking again keeps a session alive, so it is done
// only while somebody is there; and nothing is exchanged under somebody's hands.
const live = document.querySelector("[data-live]");
if (live) {
  const rest = 10 * 60 * 1000;
  let touched = Date.now();
  // Stands above how old the data are: what follows is not news. The service's own words come first.
  const say = (what, words) => {
    const age = document.getElementById("age");
    const before = age.querySelector("[data-said]");
    if (before?.dataset.said === what) return;
    before?.remove();
    if (age.querySelector(".still")) return;
    const told = document.createElement("p");
    told.className = "still";
    told.dataset.said = what;
    told.setAttribute("role", "alert");
    const first = document.createElement("strong");
    first.textContent = what;
    told.append(first, ` ${words}`);
    age.prepend(told);
  };
  const look = async () => {
    if (document.hidden || live.contains(document.activeElement)) return;
    if (Date.now() - touched > rest) {
      say("The list rests.", "Nobody touched this page for ten minutes. Press a key and it is looked at again.");
      return;
    }
    const to = new URL(location.href);
    to.searchParams.set("shown", live.dataset.shown);
    const answer = await fetch(to, { redirect: "error" });
    if (!answer.ok) throw new Error(answer.statusText);
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const fresh = page.querySelector("[data-live]");
    live.replaceChildren(...fresh.childNodes);
    live.dataset.shown = fresh.dataset.shown;
    document.getElementById("age").replaceChildren(...page.getElementById("age").childNodes);
  };
  const tell = () => {
    const why = "It is not looked at again: the service does not answer, or you are signed out. Load the page again.";
    say("The list stands still.", why);
  };
  const go = () => look().catch(tell);
  const touch = () => {
    const rested = Date.now() - touched > rest;
    touched = Date.now();
    if (rested) go();
  };
  for (const kind of ["pointerdown", "keydown", "wheel"]) addEventListener(kind, touch);
  document.addEventListener("visibilitychange", go);
  setInterval(go, 30000);
}

// A browser writes days as its country does; 03/04 is two days. Beside the field it stands as on every page.
const days = ["Sunday", "Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday"];
for (const input of document.querySelectorAll("input[type=date]")) {
  const told = document.createElement("output");
  told.className = "help day";
  told.htmlFor = input.id;
  const tell = () => {
    const at = input.valueAsDate;
    told.textContent = at ? `${input.value}, ${days[at.getUTCDay()]}` : "";
  };
  input.after(told);
  input.addEventListener("input", tell);
  tell();
}

// Range and spread of readings while somebody types them. The server checks again, and it alone decides.
for (const eye of document.querySelectorAll("fieldset[data-eye]")) {
  const told = eye.querySelector(".live");
  const least = Number(eye.dataset.least);
  const most = Number(eye.dataset.most);
  // How far 2, 3, 4, 5 readings of one plane may lie apart.
  const spreads = eye.dataset.spread.split(" ").map(Number);
  const look = () => {
    const planes = new Map();
    const notes = [];
    for (const input of eye.querySelectorAll("input[name*='_value_']")) {
      const text = input.value.trim();
      if (text === "") continue;
      if (!/^(\d+\.?\d*|\.\d+)$/.test(text)) {
        notes.push(`"${text}" is no number: write millimetres with a point, such as 5.2`);
        continue;
      }
      const value = Number(text);
      if (value < least || value > most) notes.push(`${text} is outside ${least} to ${most} mm`);
      const plane = document.getElementById(input.id.replace("_value_", "_plane_")).value;
      planes.set(plane, [...(planes.get(plane) ?? []), value]);
    }
    for (const values of planes.values()) {
      const apart = Math.max(...values) - Math.min(...values);
      if (values.length > 1 && apart > spreads[values.length - 2] + 1e-9) {
        notes.push(`${values.length} readings of one plane lie ${apart.toFixed(2)} mm apart`);
      }
    }
    const count = [...planes.values()].flat().length;
    const readings = count === 1 ? "1 reading." : `${count} readings.`;
    const all = notes.length === 0 ? "" : ` Look once more: ${notes.join("; ")}.`;
    if (told.textContent !== readings + all) told.textContent = readings + all;
  };
  eye.addEventListener("input", look);
}

// A page that waits for a result looks again by itself.
if (document.querySelector("[data-waits]")) setTimeout(() => location.reload(), 2000);
