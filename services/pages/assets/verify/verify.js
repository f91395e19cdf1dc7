// Checks the record of a stone in this browser. Nothing of what a server says is believed, but that the first log that was seen here is the right one: what was
// seen is kept, and the log must only have been added to since.
"use strict";
(() => {
const button = document.querySelector("[data-verify]");
if (!button || !window.Worker || !window.WebAssembly) return;
button.hidden = false;
const out = document.querySelector("[data-outcome]");
const says = Object.fromEntries([...document.querySelectorAll("[data-say]")].map((li) => [li.dataset.say, li.textContent]));
const say = (key, ...args) => (says[key] || key).replace(/\{(\d)\}/g, (_, n) => args[n]);
const KEY = "lotpaper:log";

function line(text, tag = "p", lang) {
  const x = document.createElement(tag);
  x.textContent = text;
  if (lang) x.lang = lang;
  out.append(x);
  return x;
}

function seen() {
  try { return JSON.parse(localStorage.getItem(KEY)); } catch { return null; }
}

async function fetched(older) {
  const answer = await fetch(button.dataset.verify + (older ? `?since=${older.size}` : ""));
  if (!answer.ok) throw new Error((await answer.json()).message);
  return answer.arrayBuffer();
}

function ask(record, key, older) {
  const worker = new Worker(`${button.dataset.worker}?${new URLSearchParams({ exec: button.dataset.exec, wasm: button.dataset.wasm })}`);
  return new Promise((resolve, reject) => {
    worker.onmessage = (m) => { worker.terminate(); m.data.failed ? reject(new Error(m.data.failed)) : resolve(m.data); };
    worker.onerror = (e) => { worker.terminate(); reject(new Error(e.message || "worker")); };
    worker.postMessage({ record, key, older }, [record]);
  });
}

// shown compares the verdicts on this page with those of the record.
function shown(status) {
  const of = Object.fromEntries(status.treatments.map((t) => [t.treatment, t.verdict]));
  const here = [...document.querySelectorAll("[data-treatment]")];
  return here.length === status.treatments.length && here.every((x) => of[x.dataset.treatment] === x.dataset.verdict);
}

button.addEventListener("click", async () => {
  button.disabled = true;
  out.replaceChildren();
  out.removeAttribute("data-holds");
  const progress = line(say("verify.fetching"));
  try {
    const before = seen();
    let record, older = before;
    try {
      record = await fetched(older);
    } catch (e) {
      if (!older) throw e;
      record = await fetched(older = null); // the log may be another one, which the check will tell
    }
    const size = record.byteLength;
    progress.textContent = say("verify.checking", Math.ceil(size / 1024));
    const told = await ask(record, "", "");
    progress.remove();
    if (!told.holds) {
      out.dataset.holds = "no";
      line(say("verify.fails"), "h3");
      line(`${told.part ? told.part + ": " : ""}${told.says}`, "p", "en");
      return;
    }
    if (before && before.origin !== told.origin) {
      out.dataset.holds = "no";
      line(say("verify.otherlog", before.origin, told.origin), "p");
      return;
    }
    if (before) {
      const again = before.size === told.size && before.checkpoint === told.checkpoint ? told : await ask(await fetched(older), before.verifierKey, before.checkpoint);
      if (!again.holds) {
        out.dataset.holds = "no";
        line(say("verify.rewritten"), "h3");
        line(`${again.part ? again.part + ": " : ""}${again.says}`, "p", "en");
        return;
      }
    }
    const same = shown(told.status);
    out.dataset.holds = same ? "yes" : "no";
    line(say(same ? "verify.holds" : "verify.otherpage"), "h3");
    const list = document.createElement("ul");
    for (const text of [
      say("verify.log", told.origin, told.size),
      say("verify.events", told.events, told.signedByParty, told.events - 1 - told.signedByParty),
      before ? say("verify.followed", before.size) : say("verify.first", told.verifierKey),
      say("verify.verdicts"),
    ]) { const li = document.createElement("li"); li.textContent = text; list.append(li); }
    out.append(list);
    if (same) localStorage.setItem(KEY, JSON.stringify({ origin: told.origin, verifierKey: told.verifierKey, size: told.size, checkpoint: told.checkpoint }));
  } catch (e) {
    progress.remove();
    line(say("verify.failed", e.message));
  } finally {
    button.disabled = false;
  }
});
})();
