// Comfort only: every page works without this. Nothing is loaded from elsewhere.
"use strict";

// The lists of today, looked at again every 30 seconds. Looking again keeps a session alive, so it is done
// only while somebody is there; and nothing is exchanged under somebody's hands.
const live = document.querySelector("[data-live]");
if (live) {
  const rest = 10 * 60 * 1000;
  let touched = Date.now();
  for (const kind of ["pointerdown", "keydown", "wheel"]) addEventListener(kind, () => { touched = Date.now(); });
  const look = async () => {
    if (document.hidden || Date.now() - touched > rest || live.contains(document.activeElement)) return;
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
    const age = document.getElementById("age");
    if (age.querySelector(".still")) return;
    const told = document.createElement("p");
    told.className = "still";
    told.setAttribute("role", "alert");
    told.textContent = "The list is not looked at again: the service does not answer, or you are signed out. Load the page again.";
    age.append(told);
  };
  setInterval(() => look().catch(tell), 30000);
}
