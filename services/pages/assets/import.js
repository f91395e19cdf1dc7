// Sheets: looked at first, then posted whole or not at all.
"use strict";
(() => {
const form = document.getElementById("sheet"), out = document.getElementById("outcome");
const says = Object.fromEntries([...document.querySelectorAll("[data-say]")].map((li) => [li.dataset.say, li.textContent]));
const say = (key, ...args) => (says[key] || key).replace(/\{(\d)\}/g, (_, n) => args[n]);

function line(text, tag = "p") { const x = document.createElement(tag); x.textContent = text; out.append(x); return x; }

function rows(list) {
  const t = document.getElementById("rows").content.firstElementChild.cloneNode(true);
  t.tabIndex = 0;
  for (const p of list) {
    const tr = document.createElement("tr");
    for (const [text, cls] of [[p.row || "", "num"], [p.column, ""], [p.says, ""]]) {
      const td = document.createElement("td");
      td.textContent = text;
      if (cls) td.className = cls;
      tr.append(td);
    }
    tr.lastChild.lang = "en";
    t.querySelector("tbody").append(tr);
  }
  out.append(t);
}

form.addEventListener("submit", async (e) => {
  e.preventDefault();
  const file = document.getElementById("file").files[0], dry = e.submitter && e.submitter.name === "dry";
  if (!file) return;
  out.replaceChildren();
  const wait = line(say("import.reading", file.name));
  try {
    const answer = await fetch("/import", {
      method: "POST", headers: { "X-CSRF-Token": await csrf(), "Content-Type": "application/octet-stream", ...(dry ? { "X-Dry-Run": "1" } : {}) }, body: file });
    const told = await answer.json();
    wait.remove();
    if (!answer.ok) { line(told.message).className = "problem"; return; }
    if (told.problems && told.problems.length) {
      line(say("import.problems", told.problems.length)).className = "problem";
      rows(told.problems);
    } else if (dry) {
      line(say("import.fine", told.events)).className = "notice";
    } else {
      line(say("import.posted", told.posted, told.known)).className = "done";
      if (told.found && told.found.length) { line(say("noticed"), "h2"); rows(told.found); }
    }
    out.focus();
  } catch (problem) {
    wait.remove();
    line(say("import.failed")).className = "problem";
  }
});
})();
