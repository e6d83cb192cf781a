// What was seen belongs to one instrument: where another is chosen, the answers that nobody has touched are that one's.
"use strict";

for (const form of document.querySelectorAll("form[data-signs]")) {
  const noted = JSON.parse(form.dataset.signs);
  const touched = new Set();
  form.addEventListener("change", ({ target }) => {
    if (target.type === "radio") touched.add(target.name);
    else {
      const own = noted[target.value] ?? {};
      for (const answer of form.querySelectorAll("input[type=radio]"))
        if (!touched.has(answer.name)) answer.checked = answer.value === ({ true: "yes", false: "no" }[own[answer.name]] ?? "");
    }
  });
}
