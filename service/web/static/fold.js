// A folded part that an address points to is opened; what is open stays so when the page is loaded again in this tab.
"use strict";

const key = `folds ${location.pathname}`;
const folds = [...document.querySelectorAll("details[id]")];

function point() {
  const part = document.getElementById(location.hash.slice(1));
  if (part?.matches("details")) {
    part.open = true;
    part.scrollIntoView();
  }
}

try {
  for (const id of JSON.parse(sessionStorage.getItem(key) || "[]")) {
    const part = document.getElementById(id);
    if (part) part.open = true;
  }
} catch { /* no storage: then they are as they came */ }
for (const part of folds)
  part.addEventListener("toggle", () => {
    try { sessionStorage.setItem(key, JSON.stringify(folds.filter((each) => each.open).map((each) => each.id))); } catch { /* as above */ }
  });
addEventListener("hashchange", point);
point();
