// The bench: a form becomes an event. What is written is kept in this browser until it is recorded, and it is recorded once: the event's id is made when the
// draft is, and what was sent is sent again as it was until the service has answered.
"use strict";
(() => {
const form = document.getElementById("work");
if (!form) return;
const data = form.dataset;
const $ = (selector, from = document) => from.querySelector(selector);
const $$ = (selector, from = document) => [...from.querySelectorAll(selector)];
const says = Object.fromEntries($$("[data-say]").map((li) => [li.dataset.say, li.textContent]));
const say = (key, ...args) => (says[key] || key).replace(/\{(\d)\}/g, (_, n) => args[n]);
const all = $("fieldset.all", form), kept = $("[data-kept]"), problem = $("[data-problem]"), done = $("[data-done]");
const key = `lotpaper:${data.party}:${data.do}:${data.lot}`;
const MICROGRAMS = { ct: 200000, g: 1e6, mg: 1000, kg: 1e9 };

// --- Figures ---

// figure reads a number with a decimal point or comma. It gives its text with a point, as many digits as were written; null: it is none.
function figure(text) {
  const t = text.trim().replace(/\s/g, "");
  if (!/^-?\d+([.,]\d+)?$/.test(t)) return null;
  return t.replace(",", ".");
}

// weigh reads a mass: micrograms, and the step of its last digit. null: nothing is written, false: it is no mass.
function weigh(input) {
  if (!input || input.value.trim() === "") return null;
  const t = figure(input.value);
  if (t === null || t.startsWith("-")) return false;
  const unit = unitOf(input).value, digits = (t.split(".")[1] || "").length;
  return { micrograms: Math.round(Number(t) * MICROGRAMS[unit]), step: Math.max(1, MICROGRAMS[unit] / 10 ** digits), text: `${t} ${unit}` };
}

const unitOf = (input) => $("select[data-unit]", input.parentElement);

// carats writes micrograms as the scale beside it does.
function carats(micrograms, step) {
  const digits = Math.min(6, Math.max(0, Math.ceil(-Math.log10((step || 1000) / 200000) - 1e-9)));
  return `${(micrograms / 200000).toFixed(Math.max(2, digits))} ct`;
}

const percent = (share) => `${(100 * share).toFixed(Math.abs(share) < 0.01 ? 2 : 1)} %`;

// --- From the form to the event ---

class Wrong extends Error {
  constructor(input, message) { super(message); this.input = input; }
}

function uuid() {
  if (crypto.randomUUID) return crypto.randomUUID();
  const b = crypto.getRandomValues(new Uint8Array(16)); // where a page is not served by TLS
  b[6] = (b[6] & 15) | 64; b[8] = (b[8] & 63) | 128;
  const h = [...b].map((x) => x.toString(16).padStart(2, "0")).join("");
  return `${h.slice(0, 8)}-${h.slice(8, 12)}-${h.slice(12, 16)}-${h.slice(16, 20)}-${h.slice(20)}`;
}

// put sets a value at a path such as loss.mass.
function put(to, path, value) {
  const names = path.split(".");
  const last = names.pop();
  for (const n of names) to = to[n] ??= {};
  to[last] = value;
}

// local writes a time of this browser's zone as RFC 3339.
function local(text) {
  const at = text ? new Date(text) : new Date();
  const pad = (n) => String(Math.abs(n)).padStart(2, "0");
  const off = -at.getTimezoneOffset();
  return `${at.getFullYear()}-${pad(at.getMonth() + 1)}-${pad(at.getDate())}T${pad(at.getHours())}:${pad(at.getMinutes())}:${pad(at.getSeconds())}` +
    `${off < 0 ? "-" : "+"}${pad(Math.trunc(off / 60))}:${pad(off % 60)}`;
}

// valueOf reads one field; undefined: it was left out.
function valueOf(x) {
  const text = (x.value ?? "").trim();
  switch (x.dataset.type) {
    case "checks": {
      const list = $$("input:checked", x).map((c) => c.value);
      return list.length ? list : undefined;
    }
    case "yes": return x.checked ? true : undefined;
    case "fixed": return text === "true" ? true : text;
    case "mass": {
      const m = weigh(x);
      if (m === false) throw new Wrong(x, say("nomass", text));
      return m ? m.text : undefined;
    }
    case "count": {
      if (!text) return undefined;
      if (!/^\d{1,9}$/.test(text)) throw new Wrong(x, say("nocount", text));
      return Number(text);
    }
    case "number": {
      if (!text) return undefined;
      const f = figure(text);
      if (f === null) throw new Wrong(x, say("nonumber", text));
      return Number(f);
    }
    case "numbers": {
      if (!text) return undefined;
      return text.split(/\s*[x×*;]\s*|\s+/).filter(Boolean).map((part) => {
        const f = figure(part);
        if (f === null) throw new Wrong(x, say("nonumbers", text));
        return Number(f);
      });
    }
    case "words": return text ? text.split("\n").map((t) => t.trim()).filter(Boolean) : undefined;
    case "pairs": {
      if (!text) return undefined;
      return Object.fromEntries(text.split("\n").filter((t) => t.trim()).map((t) => {
        const i = t.indexOf(":");
        if (i < 1) throw new Wrong(x, say("nopair", t));
        return [t.slice(0, i).trim(), t.slice(i + 1).trim()];
      }));
    }
    case "country": return text ? text.toUpperCase() : undefined;
    case "when": return local(text);
  }
  return text || undefined;
}

// read makes a part of the event of the fields below an element.
function read(root, into) {
  for (const x of $$("[data-path]", root)) {
    if (x.closest("template") || x.closest("[data-row]") !== (root.matches("[data-row]") ? root : null)) continue;
    const value = valueOf(x);
    if (value === undefined) {
      if (x.required && !x.closest("[hidden]")) throw new Wrong(x, say("missing", labelOf(x)));
      continue;
    }
    put(into, x.dataset.path, value);
  }
  return into;
}

function labelOf(x) {
  const l = x.labels && x.labels[0];
  return (l ? l.firstChild.textContent : x.dataset.path).trim();
}

// event makes the whole event.
function event() {
  const body = read(form, {});
  const out = { requestId: draft.id, occurredAt: body.$occurredAt };
  if (body.$moisture) out.moisture = body.$moisture;
  if (body.$remark) out.remark = body.$remark;
  const lot = data.lot || body.$lot;
  for (const name of ["$occurredAt", "$moisture", "$remark", "$lot"]) delete body[name];
  for (const set of $$("fieldset[data-rows]", form)) {
    const list = $$("[data-row]", set).map((row) => read(row, {}));
    if (list.length) body[set.dataset.rows] = list;
  }
  if ("sheet" in data) {
    const list = readings();
    if (list.length) put(body, "measurement.uptake.readings", list);
  }
  if (body.loss && Object.keys(body.loss).length === 1 && "measured" in body.loss) delete body.loss;
  out[data.body] = body;
  if (draft.attachments) out.attachments = draft.attachments;
  return { lot, event: out };
}

// --- Rows ---

function addRow(set, values) {
  const row = $("template", set).content.firstElementChild.cloneNode(true);
  $("[data-list]", set).append(row);
  for (const u of $$("select[data-unit]", row)) u.value = localStorage.getItem("lotpaper:unit") || "ct";
  if (values) restore(row, values);
  return row;
}

// --- Drafts ---

let draft = { id: uuid(), values: null, sent: null };

// collect keeps what is written as it is written.
function collect(root) {
  const out = { fields: {}, rows: {} };
  for (const x of $$("[data-path]", root)) {
    if (x.closest("template") || x.closest("[data-row]") !== (root.matches("[data-row]") ? root : null)) continue;
    const unit = x.dataset.type === "mass" ? unitOf(x).value : undefined;
    out.fields[x.dataset.path] = x.dataset.type === "checks" ? $$("input:checked", x).map((c) => c.value) : x.dataset.type === "yes" ? x.checked : unit ? [x.value, unit] : x.value;
  }
  if (root === form) for (const set of $$("fieldset[data-rows]", form)) out.rows[set.dataset.rows] = $$("[data-row]", set).map(collect);
  if (root === form && "sheet" in data) out.sheet = sheet();
  return out;
}

function restore(root, values) {
  for (const x of $$("[data-path]", root)) {
    if (x.closest("template") || x.closest("[data-row]") !== (root.matches("[data-row]") ? root : null)) continue;
    const v = values.fields[x.dataset.path];
    if (v === undefined) continue;
    if (x.dataset.type === "checks") for (const c of $$("input", x)) c.checked = v.includes(c.value);
    else if (x.dataset.type === "yes") x.checked = v;
    else if (x.dataset.type === "mass") { x.value = v[0]; unitOf(x).value = v[1]; } else x.value = v;
  }
  if (root !== form) return;
  for (const set of $$("fieldset[data-rows]", form)) {
    $("[data-list]", set).replaceChildren();
    for (const row of values.rows[set.dataset.rows] || []) addRow(set, row);
  }
  if (values.sheet) restoreSheet(values.sheet);
}

function keep() {
  draft.values = collect(form);
  try { localStorage.setItem(key, JSON.stringify(draft)); } catch { tell(say("full")); }
}

function discard() {
  localStorage.removeItem(key);
  draft = { id: uuid(), values: null, sent: null };
}

function tell(text) { kept.textContent = text; }

// --- The balance ---

// balance compares what comes out with what went in, by the rule of the service: three times the combined uncertainty of the scales, and what water explains.
function balance() {
  if (!("balance" in data)) return;
  const b = (name) => $(`[data-b="${name}"]`);
  const into = Number(data.in), material = data.material;
  const list = [], wrong = [], cut = [], weight = (x, to) => {
    const m = weigh(x);
    if (m === false) wrong.push(x); else if (m) { list.push(m); if (to) to.push(m); }
  };
  for (const set of $$("fieldset[data-rows]", form)) for (const row of $$("[data-row]", set)) weight($('[data-path="mass"]', row), set.dataset.role === "out" ? cut : null);
  const whole = $$('[data-path="mass"]', form).find((x) => !x.closest("[data-row]") && !x.closest("template"));
  weight(whole);
  weight($('[data-path="rest.mass"]', form));
  weight($('[data-path="loss.mass"]', form));
  const now = $('[data-path="$moisture"]', form)?.value || "", before = data.moisture;
  const out = list.reduce((sum, m) => sum + m.micrograms, 0);
  const variance = list.reduce((sum, m) => sum + m.step ** 2 / 12, Number(data.step) ** 2 / 12);
  const ppm = material !== "HYDROPHANE" && material !== "UNKNOWN" ? data.other : before === "DRY" && now === "SOAKED" ? data.soaked :
    before === now && (now === "DRY" || now === "ROOM") ? data.same : data.unclear;
  const water = Math.floor(into / 1e6) * Number(ppm) + Math.floor((into % 1e6) * Number(ppm) / 1e6);
  const u3 = 3 * Math.sqrt(variance), gain = out - into, step = Math.max(...list.map((m) => m.step), 1000);
  b("in").textContent = carats(into, Number(data.step));
  b("out").textContent = list.length ? carats(out, step) : "–";
  b("rest").textContent = list.length ? `${gain <= 0 ? "−" : "+"}${carats(Math.abs(gain), step)} (${percent(Math.abs(gain) / into)})` : "–";
  b("water").textContent = `± ${carats(water, step)} (${percent(Number(ppm) / 1e6)})`;
  const yieldOf = cut.reduce((sum, m) => sum + m.micrograms, 0) / into;
  if (b("yield")) b("yield").textContent = cut.length ? percent(yieldOf) : "–";
  const swarf = (data.do === "cut" || $('[data-path="manner"]', form)?.value === "SAWN") && !weigh($('[data-path="loss.mass"]', form));
  let verdict = "even";
  if (wrong.length) verdict = "nomass";
  else if (!list.length) verdict = "empty";
  else if (gain > u3 + water) verdict = "made";
  else if (gain > u3) verdict = "gained";
  else if (swarf && gain < 0) verdict = data.do === "cut" && data.form === "ROUGH" && yieldOf > Number(data.yield) / 1e6 ? "yield" : "swarf";
  else if (-gain > u3 + water) verdict = "missing";
  else if (-gain > u3) verdict = "dried";
  const line = b("says");
  line.dataset.verdict = verdict;
  line.textContent = verdict === "empty" ? say("balance.empty") : verdict === "nomass" ? say("nomass", wrong[0].value) : say(`balance.${verdict}`, carats(Math.abs(gain), step), carats(water, step));
  const pieces = $$('[data-rows] [data-row] [data-path="pieces"]', form).concat($$('[data-path="rest.pieces"], [data-path="loss.pieces"]', form)).filter((x) => !x.closest("template"));
  if (data.do === "split" && data.pieces && $('[data-path="manner"]', form).value !== "SAWN" && pieces.every((x) => x.value.trim() || !x.closest("[data-row]"))) {
    const sum = pieces.reduce((n, x) => n + Number(x.value || 0), 0);
    if (sum !== Number(data.pieces)) line.textContent += " " + say("balance.pieces", sum, data.pieces);
  }
}

// --- Choices that depend on others ---

function depend() {
  const method = $('[data-path="method"]', form)?.value;
  for (const s of $$('select[data-for="method"]', form)) {
    for (const o of $$("option[data-of]", s)) {
      const fits = o.dataset.of === method;
      o.hidden = o.disabled = !fits;
    }
    const chosen = s.selectedOptions[0];
    if (chosen && chosen.disabled) {
      const same = $$("option[data-of]", s).find((o) => !o.disabled && o.value === s.value);
      if (same) same.selected = true; else s.value = "";
    }
  }
  const treated = $('[data-path="treatment"]', form)?.value;
  for (const p of $$("[data-caution]")) if (data.do === "tested" || data.do === "treated") p.hidden = p.dataset.caution !== (data.do === "tested" ? method : treated);
  const aside = $("aside.caution");
  if (aside && (data.do === "tested" || data.do === "treated")) aside.hidden = $$("[data-caution]", aside).every((p) => p.hidden);
}

// --- Sending ---

let sending = false, again = 0;

function freeze(on) { all.disabled = on; }

async function send() {
  if (sending || !draft.sent) return;
  sending = true;
  freeze(true);
  tell(say("sending"));
  try {
    const who = await fetch("/session");
    if (who.status === 401) { signedOut(); return; }
    if (!who.ok) throw new TypeError("no session");
    const token = (await who.json()).csrfToken;
    const answer = await fetch(`/v1/lots/${encodeURIComponent(draft.sent.lot)}/events`, {
      method: "POST", headers: { "Content-Type": "application/json", "X-CSRF-Token": token }, body: draft.sent.body,
    });
    if (answer.status >= 500 || answer.status === 429) throw new TypeError(String(answer.status));
    if (answer.status === 401) { signedOut(); return; }
    const told = await answer.json();
    if (!answer.ok) { refused(told); return; }
    recorded(told);
  } catch (e) {
    if (!(e instanceof TypeError) && e.name !== "SyntaxError") throw e;
    tell(say("waiting"));
    clearTimeout(again);
    again = setTimeout(send, 4000);
  } finally {
    sending = false;
  }
}

function signedOut() {
  tell(say("signedout"));
  const a = document.createElement("a");
  a.href = "/signin?next=" + encodeURIComponent(location.pathname + location.search);
  a.textContent = " " + say("signin");
  kept.append(a);
}

// refused shows what the service found, at the field that it names. The event was not recorded: its draft can be changed.
function refused(told) {
  draft.sent = null;
  keep();
  freeze(false);
  tell("");
  let field = "";
  for (const d of told.details || []) if (d.metadata && d.metadata.field) field = d.metadata.field;
  show(told.message, inputOf(field));
}

// inputOf finds the input of a path such as split.children[1].mass.
function inputOf(path) {
  const row = path.match(/(\w+)\[(\d+)\]\.([\w.]+)$/);
  if (row) {
    const rows = $$(`fieldset[data-rows="${row[1]}"] [data-row]`, form);
    return rows[Number(row[2])] && $(`[data-path="${row[3]}"]`, rows[Number(row[2])]);
  }
  const short = path.replace(/^event\./, "").replace(new RegExp(`^${data.body}\\.`), "");
  return $$("[data-path]", form).find((x) => !x.closest("template") && !x.closest("[data-row]") && (x.dataset.path === short || x.dataset.path === `$${short}`));
}

function show(message, input) {
  for (const x of $$("[aria-invalid]", form)) { x.removeAttribute("aria-invalid"); x.removeAttribute("aria-describedby"); }
  problem.hidden = false;
  problem.textContent = message;
  problem.id = "problem";
  if (!input) { problem.scrollIntoView({ block: "center" }); return; }
  const target = input.matches("fieldset") ? $("input", input) : input;
  target.setAttribute("aria-invalid", "true");
  target.setAttribute("aria-describedby", "problem");
  target.focus();
}

// recorded says what became of it, and leads on.
function recorded(told) {
  const lots = JSON.parse(draft.sent.body)[data.body];
  const made = [...(lots.children || []), ...(lots.stones || []), ...(lots.offcuts || [])].map((x) => x.lot);
  if ("opens" in data) made.push(draft.sent.lot);
  const at = draft.sent.lot;
  discard();
  form.hidden = true;
  tell("");
  done.hidden = false;
  const add = (tag, text, to = done) => { const x = document.createElement(tag); if (text) x.textContent = text; to.append(x); return x; };
  const link = (href, text, to) => { const a = add("a", text, to); a.href = href; return a; };
  add("h2", say("recorded"));
  add("p", say("position", told.position));
  if (told.findings && told.findings.length) {
    add("h3", say("noticed"));
    const list = add("ul");
    for (const f of told.findings) add("li", f.text, list).lang = "en";
  }
  const actions = add("p");
  actions.className = "actions";
  link("/lots/" + encodeURIComponent(at), at, actions).className = "button quiet";
  if (made.length) {
    link("/labels?" + made.map((l) => "lot=" + encodeURIComponent(l)).join("&"), say("labels", made.length), actions).className = "button";
    const list = add("ul");
    for (const l of made) link("/lots/" + encodeURIComponent(l), l, add("li", "", list));
  }
  link("/bench", say("next"), actions).className = "button quiet";
  done.focus();
}

async function picture() {
  const input = $('[data-type="picture"]', form);
  if (!input || !input.files.length) return;
  const file = input.files[0];
  const { csrfToken } = await (await fetch("/session")).json();
  const answer = await fetch("/v1/attachments", { method: "POST", headers: { "Content-Type": file.type, "X-CSRF-Token": csrfToken }, body: file });
  const told = await answer.json();
  if (!answer.ok) throw new Wrong(input, told.message);
  draft.attachments = [{ sha256: told.sha256, mediaType: told.mediaType, name: file.name }];
}

form.addEventListener("submit", async (e) => {
  e.preventDefault();
  if (draft.sent) { send(); return; }
  problem.hidden = true;
  try {
    await picture();
    const { lot, event: made } = event();
    if (!lot) throw new Wrong($('[data-path="$lot"]', form), say("missing", "lot"));
    draft.sent = { lot, body: JSON.stringify(made) };
  } catch (wrong) {
    if (wrong instanceof TypeError) { show(say("picturelater")); return; }
    if (!(wrong instanceof Wrong)) throw wrong;
    show(wrong.message, wrong.input);
    return;
  }
  keep();
  send();
});

// --- Claims, checked before they are made ---

async function post(path, body) {
  const answer = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json", "X-CSRF-Token": await csrf() }, body: JSON.stringify(body) });
  const told = await answer.json();
  if (!answer.ok) throw new Wrong(null, told.message);
  return told;
}

$("[data-claims]")?.addEventListener("click", async () => {
  const out = $("[data-checked]");
  const claims = $$('[data-path="claims"] input:checked', form).map((c) => c.value);
  out.replaceChildren();
  if (!claims.length) { out.textContent = say("noclaims"); return; }
  try {
    const told = await post(`/v1/lots/${encodeURIComponent(data.lot)}:checkClaims`, { claims });
    const list = document.createElement("ul");
    for (const r of told.results) {
      const li = document.createElement("li"), b = document.createElement("b"), why = document.createElement("span");
      b.textContent = `${r.claim}: ${say("claim." + r.verdict)}. `;
      why.textContent = r.because;
      why.lang = "en";
      li.append(b, why);
      list.append(li);
    }
    out.append(list);
  } catch (e) { out.textContent = e.message; }
});

// --- The weighing sheet ---

const DUE = [0, 10, 60, 120, 1440];
let started = 0, told = new Set();

function reading(due, values) {
  const row = $("template[data-reading]").content.firstElementChild.cloneNode(true);
  row.dataset.due = due ?? "";
  $("[data-due-at]", row).textContent = due == null ? say("uptake.extra") : due === 0 ? say("uptake.begin") : due < 60 ? `${due} min` : `${due / 60} h`;
  const [minutes, mass] = [$("[data-minutes]", row), $("[data-mass]", row)];
  minutes.setAttribute("aria-label", say("uptake.minuteslabel"));
  mass.setAttribute("aria-label", say("uptake.masslabel"));
  minutes.value = values ? values[0] : "";
  mass.value = values ? values[1] : "";
  mass.addEventListener("input", () => {
    if (mass.value && !minutes.value && started) minutes.value = String(Math.round((Date.now() - started) / 6000) / 10);
  });
  $("[data-readings]").append(row);
}

const sheet = () => ({ started, rows: $$("[data-readings] tr").map((r) => [r.dataset.due, $("[data-minutes]", r).value, $("[data-mass]", r).value]) });

function restoreSheet(s) {
  started = s.started;
  $("[data-readings]").replaceChildren();
  for (const [due, minutes, mass] of s.rows) reading(due === "" ? null : Number(due), [minutes, mass]);
}

// readings gives the weighings that are written.
function readings() {
  const unit = unitOf($('[data-path="measurement.uptake.dryMass"]', form)).value;
  const out = [];
  for (const row of $$("[data-readings] tr")) {
    const m = $("[data-minutes]", row), w = $("[data-mass]", row);
    if (!w.value.trim()) continue;
    const minutes = figure(m.value || ""), mass = figure(w.value);
    if (minutes === null) throw new Wrong(m, say("nonumber", m.value));
    if (mass === null) throw new Wrong(w, say("nomass", w.value));
    out.push({ minutes: Number(minutes), mass: `${mass} ${unit}` });
  }
  return out.sort((a, b) => a.minutes - b.minutes);
}

function taken() {
  const dry = weigh($('[data-path="measurement.uptake.dryMass"]', form));
  for (const row of $$("[data-readings] tr")) {
    const f = figure($("[data-mass]", row).value || "");
    const unit = unitOf($('[data-path="measurement.uptake.dryMass"]', form)).value;
    $("[data-taken]", row).textContent = dry && f !== null ? percent(Number(f) * MICROGRAMS[unit] / dry.micrograms - 1) : "";
  }
}

let sound;
function ring() {
  try {
    sound ??= new AudioContext();
    for (const at of [0, 0.35, 0.7]) {
      const o = sound.createOscillator(), g = sound.createGain();
      o.frequency.value = 880;
      g.gain.setValueAtTime(0.2, sound.currentTime + at);
      g.gain.exponentialRampToValueAtTime(0.001, sound.currentTime + at + 0.3);
      o.connect(g).connect(sound.destination);
      o.start(sound.currentTime + at);
      o.stop(sound.currentTime + at + 0.3);
    }
  } catch { /* a browser that plays nothing shows it */ }
  navigator.vibrate?.([200, 100, 200]);
}

function tick() {
  const clock = $("[data-clock]"), due = $("[data-due]");
  if (!clock) return;
  $("[data-start]").hidden = Boolean(started);
  $("[data-restart]").hidden = !started;
  if (!started) { clock.textContent = say("uptake.notstarted"); return; }
  const seconds = Math.max(0, Math.floor((Date.now() - started) / 1000));
  const pad = (n) => String(n).padStart(2, "0");
  clock.textContent = `${Math.floor(seconds / 3600)}:${pad(Math.floor(seconds / 60) % 60)}:${pad(seconds % 60)}`;
  const now = $$("[data-readings] tr").filter((r) => r.dataset.due > 0 && seconds >= 60 * r.dataset.due && !$("[data-mass]", r).value);
  for (const r of $$("[data-readings] tr")) r.classList.toggle("due", now.includes(r));
  const text = now.length ? say("uptake.now", $("[data-due-at]", now[now.length - 1]).textContent) : "";
  if (due.textContent !== text) due.textContent = text;
  document.title = (text ? "● " : "") + document.title.replace(/^● /, "");
  for (const r of now) if (!told.has(r.dataset.due)) { told.add(r.dataset.due); ring(); }
}

if ("sheet" in data) {
  $("[data-start]").addEventListener("click", () => { started = Date.now(); ring(); keep(); tick(); });
  $("[data-restart]").addEventListener("click", () => { if (confirm(say("uptake.sure"))) { started = 0; told = new Set(); keep(); tick(); } });
  $("[data-more]").addEventListener("click", () => { reading(null); keep(); });
  $("[data-curve]").addEventListener("click", async () => {
    const out = $("[data-checked]");
    out.replaceChildren();
    try {
      const u = event().event.tested.measurement?.uptake || {};
      const told = await post("/v1/assays:uptake", u);
      const img = document.createElement("img");
      img.src = "data:image/svg+xml;charset=utf-8," + encodeURIComponent(told.svg);
      img.alt = say("uptake.class", told.class);
      img.className = "plot";
      const p = document.createElement("p");
      p.textContent = say("uptake.class", told.class);
      const notes = document.createElement("ul");
      for (const n of told.notes || []) { const li = document.createElement("li"); li.textContent = n; li.lang = "en"; notes.append(li); }
      out.append(p, img, notes);
    } catch (e) { if (!(e instanceof Wrong)) throw e; show(e.message, e.input); }
  });
  for (const due of DUE.slice(1)) reading(due);
  setInterval(tick, 1000);
}

// --- Begin ---

for (const set of $$("fieldset[data-rows]", form)) {
  $("[data-add]", set).addEventListener("click", () => { $("input", addRow(set)).focus(); changed(); });
  for (let i = 0; i < Number(set.dataset.min); i++) addRow(set);
}

function changed() { depend(); balance(); if ("sheet" in data) { taken(); tick(); } keep(); tell(say("kept")); }

form.addEventListener("input", changed);
form.addEventListener("change", (e) => {
  if (e.target.matches("select[data-unit]")) localStorage.setItem("lotpaper:unit", e.target.value);
  changed();
});
form.addEventListener("focusin", (e) => { // what a name begins with stays before what is written
  if (e.target.matches("[data-type=lot]")) e.target.setSelectionRange(e.target.value.length, e.target.value.length);
});
form.addEventListener("click", (e) => {
  if (!e.target.matches("[data-remove]")) return;
  e.target.closest("[data-row]").remove();
  changed();
});
$("[data-discard]").addEventListener("click", () => { if (confirm(say("sure"))) { discard(); location.reload(); } });
addEventListener("online", send);

for (const u of $$("select[data-unit]", form)) u.value = localStorage.getItem("lotpaper:unit") || "ct";
for (const u of $$("select[data-unit]", form)) if (!u.value) u.value = "ct";
const before = localStorage.getItem(key);
if (before) {
  try {
    draft = JSON.parse(before);
    if (draft.values) restore(form, draft.values);
    tell(say("restored"));
  } catch { discard(); }
}
depend();
balance();
if ("sheet" in data) { taken(); tick(); }
if (draft.sent) send();
})();
