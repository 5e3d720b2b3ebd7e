"use strict";
const $ = id => document.getElementById(id);
const html = (name, className, text) => {
  const e = document.createElement(name);
  if (className) e.className = className;
  if (text !== undefined) e.textContent = text;
  return e;
};
const base = `/delivery/${$("delivery").dataset.key}/`;

// ---- the line to the server

async function get(path, body, raw) {
  let answer;
  try {
    answer = await fetch(base + path, body === undefined ? {} : {method: "POST", body: raw ? body : JSON.stringify(body)});
  } catch {
    broken("The workshop does not answer. What was saved is on the disk; this page tries again.");
    throw {gone: true, error: "the workshop does not answer"};
  }
  broken("");
  const out = await answer.json();
  if (!answer.ok || out?.error) throw {error: out.error ?? "this was refused"};
  return out;
}

function broken(text) { $("broken").textContent = text; $("broken").hidden = !text; }

// ---- stages

const stages = [...document.querySelectorAll(".tabs a")].map(a => a.hash.slice(1));
function stage() {
  const now = stages.includes(location.hash.slice(1)) ? location.hash.slice(1) : "tap";
  for (const s of stages) $(s).hidden = s !== now;
  for (const a of document.querySelectorAll(".tabs a")) if (a.hash === `#${now}`) a.setAttribute("aria-current", "page"); else a.removeAttribute("aria-current");
  if (now !== "listen") stop();
  if (now === "measure") loadTable();
  if (["rank", "decide", "listen"].includes(now)) rank();
}
addEventListener("hashchange", () => { stage(); scrollTo(0, 0); });

// ---- bring recordings: copied, never moved

const faces = [["side", "the face"], ["other", "the other face"], ["end", "the end grain"]];
let waiting = [];

function guess(name) {
  const stem = name.replace(/\.[^.]*$/, ""), end = /[-_ ](end|width|other)/i.exec(stem);
  return {face: !end ? "side" : end[1].toLowerCase() === "end" ? "end" : "other",
    blank: stem.replace(/[-_ ](end|width|other)([-_ ]|$)/i, "$2").replace(/[-_ ](side|tap)?[-_ ]?\d{1,2}$/i, "").trim() || stem};
}

function offer(files) {
  for (const f of files) {
    const row = html("tr"), g = guess(f.name), blank = html("input"), face = html("select"), said = html("td", "said-cell", "waiting"), cells = [html("td", "", f.name), html("td"), html("td"), said];
    blank.value = g.blank;
    blank.setAttribute("aria-label", `Blank of ${f.name}`);
    blank.maxLength = 100;
    face.append(...faces.map(([v, t]) => new Option(t, v, false, v === g.face)));
    face.setAttribute("aria-label", `Tapped on, of ${f.name}`);
    cells[1].append(blank);
    cells[2].append(face);
    row.append(...cells);
    $("bringing").tBodies[0].append(row);
    waiting.push({f, blank, face, said, row});
  }
  $("bringing").hidden = !$("bringing").tBodies[0].rows.length;
  $("bring-all").hidden = !waiting.length;
}

async function bring() {
  $("bring-all").disabled = true;
  const list = waiting;
  waiting = [];
  for (const x of list) {
    x.said.textContent = "listening …";
    try {
      const q = new URLSearchParams({name: x.f.name, blank: x.blank.value, face: x.face.value});
      x.said.textContent = (await get(`sound?${q}`, x.f, true)).heard;
      x.said.className = "good";
      x.blank.readOnly = true;
      x.face.disabled = true;
    } catch (e) {
      x.said.textContent = e.error;
      x.said.className = "bad";
      if (e.gone) waiting.push(x);
    }
  }
  $("bring-all").disabled = false;
  $("bring-all").hidden = !waiting.length;
}
$("files").onchange = () => { offer($("files").files); $("files").value = ""; };
$("bring-all").onclick = bring;
for (const event of ["dragover", "drop"]) addEventListener(event, e => {
  e.preventDefault();
  if (event === "drop" && e.dataTransfer.files.length) { location.hash = "#bring"; offer(e.dataTransfer.files); }
});

// ---- measure

let table = null, usual = ["length_mm", "height_mm", "width_mm", "mass_g", "moisture_pct", "price", "maker_grade", "species", "lot", "note"];
const place = `ringstock unsaved ${base}`;
let unsaved = new Map(); // by blank and column: what is not on the disk yet
try { unsaved = new Map(JSON.parse(localStorage.getItem(place)) ?? []); } catch { unsaved = new Map(); }
const refused = new Map(), doubts = new Map();
let suspects = [];
const name = (blank, column) => `${blank}\u0000${column}`;

async function loadTable() {
  try { table = await get("table"); } catch (e) { if (!e.gone) broken(e.error); return; }
  doubts.clear();
  for (const m of table.marks) (m.error ? refused : doubts).set(name(m.blank, m.column), m.error || m.doubt);
  drawGrid();
  flush();
  rank();
}

const shownColumns = () => table.columns.filter(c => $("every").checked || usual.includes(c.name) || table.rows.some(r => r[c.name] && !c.name.includes("_u_")));

function drawGrid() {
  const columns = shownColumns(), at = document.activeElement?.dataset?.cell;
  const head = html("tr");
  head.append(Object.assign(html("th", "", "blank"), {scope: "col"}), Object.assign(html("th", "n", "rec."), {scope: "col", title: "recordings"}));
  for (const c of columns) {
    const th = Object.assign(html("th", "", c.label), {scope: "col", title: c.about || c.label});
    if (c.unit) th.append(" ", html("small", "", c.unit));
    head.append(th);
  }
  $("grid").tHead.replaceChildren(head);
  $("grid").tBodies[0].replaceChildren(...table.rows.map(r => {
    const row = html("tr"), head = Object.assign(html("th", "", r.blank), {scope: "row"});
    row.append(head, html("td", "n", r.recordings || "–"));
    for (const c of columns) {
      const td = html("td"), input = html("input");
      input.dataset.cell = name(r.blank, c.name);
      input.dataset.blank = r.blank;
      input.dataset.column = c.name;
      input.value = unsaved.get(input.dataset.cell) ?? r[c.name] ?? "";
      input.dataset.was = r[c.name] ?? "";
      input.inputMode = c.text ? "text" : "decimal";
      input.autocomplete = "off";
      if (c.text) input.className = "words";
      input.setAttribute("aria-label", `${r.blank} ${c.label}${c.unit ? `, ${c.unit}` : ""}`);
      td.append(input);
      row.append(td);
    }
    return row;
  }));
  if (at) cellOf(at)?.focus();
  markCells();
}

const cellOf = n => $("grid").querySelector(`[data-cell="${CSS.escape(n)}"]`);

function markCells() {
  if (!table) return;
  const list = [];
  const suspect = new Map(suspects.map(s => [name(s.blank, s.column), s]));
  for (const input of $("grid").querySelectorAll("input")) {
    const n = input.dataset.cell, why = refused.get(n) || suspect.get(n)?.why || doubts.get(n);
    input.classList.toggle("pending", unsaved.has(n));
    input.classList.toggle("suspect", !!why && !refused.has(n));
    if (refused.has(n)) input.setAttribute("aria-invalid", "true"); else input.removeAttribute("aria-invalid");
    input.title = why || "";
    if (why) list.push({input, why, fits: refused.has(n) ? null : suspect.get(n)?.would_fit, refused: refused.has(n)});
  }
  for (const s of suspects) if (!cellOf(name(s.blank, s.column))) list.push({text: `${s.blank} ${s.column} ${s.value}`, why: s.why});
  $("asked-title").hidden = !list.length;
  $("asked").replaceChildren(...list.map(x => {
    const li = html("li", x.refused ? "bad" : "");
    if (x.input) {
      const go = html("button", "", `${x.input.getAttribute("aria-label")}: ${x.input.value}`);
      go.type = "button";
      go.onclick = () => { x.input.focus(); x.input.select(); };
      li.append(go);
    } else li.append(html("b", "", x.text));
    li.append(` ${x.why} `);
    if (x.fits !== null && x.fits !== undefined && x.input) {
      const fit = html("button", "", `put in ${x.fits}`);
      fit.type = "button";
      fit.onclick = () => { x.input.value = String(x.fits); enter(x.input); };
      li.append(fit);
    }
    return li;
  }));
}

function enter(input) {
  const n = input.dataset.cell, text = input.value.trim();
  if (text === (unsaved.get(n) ?? input.dataset.was) && !refused.has(n)) return;
  put(n, text);
}

function put(n, text) {
  unsaved.set(n, text);
  refused.delete(n);
  doubts.delete(n);
  remember();
  later();
}

function remember() {
  try { localStorage.setItem(place, JSON.stringify([...unsaved])); } catch { /* the page itself still has it */ }
  $("saved").className = unsaved.size ? "pending" : "";
  $("saved").textContent = unsaved.size ? `Saving ${unsaved.size} …` : refused.size ? `All is saved but ${refused.size} that can’t be used.` : "All is saved.";
}

let timer = 0, sending = false;
const later = (wait = 40) => { clearTimeout(timer); timer = setTimeout(flush, wait); };

async function flush() {
  if (sending || !unsaved.size) { remember(); return; }
  sending = true;
  const batch = [...unsaved].slice(0, 2000);
  let again = 0;
  try {
    const answers = await get("cells", batch.map(([n, text]) => ({blank: n.split("\u0000")[0], column: n.split("\u0000")[1], text, sure: true})));
    answers.forEach((a, i) => {
      const [n, text] = batch[i], input = cellOf(n);
      if (a.error?.startsWith("not saved yet")) { again = 2000; broken(a.error); return; }
      if (unsaved.get(n) === text) unsaved.delete(n);
      if (a.error) refused.set(n, a.error);
      else {
        refused.delete(n);
        if (a.doubt) doubts.set(n, a.doubt);
        if (input) {
          input.dataset.was = a.text;
          if (document.activeElement !== input && input.value.trim() === text) input.value = a.text;
        }
        const row = table?.rows.find(r => r.blank === a.blank);
        if (row) row[a.column] = a.text;
      }
    });
  } catch (e) { again = 2000; if (!e.gone) broken(e.error); }
  sending = false;
  remember();
  markCells();
  if (unsaved.size) later(again || 40); else rank();
}

// Goes to the next cell along the row or down the column; goesOn says that from the end of
// a row or column the next one follows.
function step(input, along, by, goesOn) {
  const rows = [...$("grid").tBodies[0].rows], r = rows.indexOf(input.closest("tr")), cells = row => [...row?.querySelectorAll("input") ?? []], i = cells(rows[r]).indexOf(input);
  let to = along ? cells(rows[r])[i + by] : cells(rows[r + by])[i];
  if (!to && goesOn) to = along ? cells(rows[r + by]).at(by > 0 ? 0 : -1) : cells(rows.at(by > 0 ? 0 : -1))[i + by];
  to?.focus();
  to?.select();
}

let lastCell = "";
$("grid").addEventListener("focusin", e => { if (e.target.dataset.cell) lastCell = e.target.dataset.cell; });
$("grid").addEventListener("change", e => enter(e.target));
$("grid").addEventListener("keydown", e => {
  const input = e.target;
  if (e.key === "Enter") { e.preventDefault(); enter(input); step(input, !$("down").checked, e.shiftKey ? -1 : 1, true); }
  if (e.key === "ArrowDown" || e.key === "ArrowUp") { e.preventDefault(); enter(input); step(input, false, e.key === "ArrowDown" ? 1 : -1, false); }
  if (e.key === "Escape") { input.value = input.dataset.was; refused.delete(input.dataset.cell); unsaved.delete(input.dataset.cell); remember(); markCells(); }
});
// A block from a spreadsheet fills cells to the right and down, rows beyond the end are new blanks if they begin with a number.
$("grid").addEventListener("paste", e => {
  const text = e.clipboardData.getData("text"), rows = text.replace(/\r/g, "").replace(/\n$/, "").split("\n").map(r => r.split("\t"));
  if (rows.length < 2 && rows[0].length < 2) return;
  e.preventDefault();
  const body = [...$("grid").tBodies[0].rows], from = body.indexOf(e.target.closest("tr")), first = [...e.target.closest("tr").querySelectorAll("input")].indexOf(e.target);
  let lost = 0;
  rows.forEach((r, i) => r.forEach((text, j) => {
    const input = body[from + i]?.querySelectorAll("input")[first + j];
    if (!input) { if (text.trim()) lost++; return; }
    input.value = text.trim();
    enter(input);
  }));
  broken(lost ? `${lost} pasted cells had no place: add blanks or show all columns, and paste again.` : "");
});
// Callipers type wherever the focus is.
document.addEventListener("keydown", e => {
  if ($("measure").hidden || e.ctrlKey || e.metaKey || e.altKey || e.target.matches("input, textarea, select")) return;
  if (!/^[0-9.,]$/.test(e.key)) return;
  const input = cellOf(lastCell) ?? [...$("grid").querySelectorAll("input")].find(i => !i.value) ?? $("grid").querySelector("input");
  if (!input) return;
  e.preventDefault();
  input.focus();
  input.value = e.key;
});
$("every").onchange = drawGrid;
$("another").onsubmit = e => {
  e.preventDefault();
  const blank = $("another-name").value.trim();
  if (!blank || table.rows.some(r => r.blank === blank)) return;
  table.rows.push({blank});
  drawGrid();
  $("another-name").value = "";
  cellOf(name(blank, "length_mm"))?.focus();
};
addEventListener("beforeunload", e => { if (unsaved.size) e.preventDefault(); });

// ---- ranking and profile

const tokens = {keep: "full", maybe: "half", leave: "rim", unread: "dash"};
const svg = (n, attributes) => { const e = document.createElementNS("http://www.w3.org/2000/svg", n); for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v); return e; };
function verdict(v) {
  const td = html("td", `verdict ${v}`), s = svg("svg", {viewBox: "0 0 24 24", class: "sign", "aria-hidden": "true"}), kind = tokens[v];
  s.append(svg("circle", {cx: 12, cy: 12, r: 9, class: kind === "full" ? "full" : kind === "dash" ? "rim dash" : "rim"}));
  if (kind === "half") s.append(svg("path", {class: "full", d: "M12 3a9 9 0 0 0 0 18z"}));
  td.append(s, ` ${v}`);
  return td;
}
function figure(f) {
  const td = html("td", "n", f.x || "–");
  if (f.u) td.append(" ", html("small", "", `± ${f.u}`));
  if (!f.x) td.title = f.why || "not known";
  return td;
}
function scoreBar(r) {
  const s = svg("svg", {viewBox: "0 0 104 14", class: "score", "aria-hidden": "true"}), x = Math.max(0, Math.min(100, r.x ?? 0)), clamp = v => 2 + Math.max(0, Math.min(100, v));
  s.append(svg("path", {class: "base", d: "M2 7H102"}));
  if (r.x !== null) s.append(svg("rect", {class: "fill", x: 2, y: 4, width: x, height: 6}), svg("path", {class: "whisker", d: `M${clamp(r.x - 2 * r.u)} 7H${clamp(r.x + 2 * r.u)}`}));
  return s;
}

let ranking = null, profile = null, original = null, asking = false, wanted = false;

async function rank() {
  wanted = true;
  if (asking) return;
  asking = true;
  while (wanted) {
    wanted = false;
    try {
      if (!profile) { profile = await get("profile"); original = structuredClone(profile); drawSliders(); }
      const changed = JSON.stringify(profile) !== JSON.stringify(original);
      const out = await get("ranking", changed ? profile : undefined);
      if (out.looking) {
        $("looking").textContent = out.looking;
        setTimeout(rank, 500);
        break;
      }
      ranking = out;
      suspects = out.rows.flatMap(r => (r.suspect ?? []).map(s => ({blank: r.blank, ...s})));
      draw();
    } catch (e) {
      $("looking").textContent = e.error ?? String(e);
      if (e.gone) setTimeout(rank, 2000);
      break;
    }
  }
  asking = false;
}

// Only what is looked at is drawn, so that a slider's move is quick.
function draw() {
  if (!$("rank").hidden) drawRanking();
  if (!$("listen").hidden) drawPairs();
  if (!$("measure").hidden) markCells();
  if (!$("decide").hidden) drawChosen();
}

let sliding = false, settling = 0;

// Which rows of the ranking are on the screen.
function inView(body) {
  const first = (low, high, y) => {
    while (low < high) {
      const mid = (low + high) >> 1;
      if (body.rows[2 * mid].getBoundingClientRect().top < y) low = mid + 1; else high = mid;
    }
    return low;
  }, n = body.rows.length / 2;
  return [Math.max(first(0, n, 0) - 1, 0), first(0, n, innerHeight)];
}

const rowOf = new Map(); // by blank
function rowsOf(r) {
  const text = JSON.stringify(r), old = rowOf.get(r.blank);
  if (old?.told === text) return old.rows;
  const row = html("tr", r.verdict), name = Object.assign(html("th", "", r.blank), {scope: "row"}), score = html("td", "drawn");
  row.dataset.blank = r.blank;
  const why = html("tr", "why"), cell = html("td", "", [...r.reasons.slice(0, r.verdict === "keep" ? 1 : 3), ...r.doubts.slice(0, 1)].join("; "));
  cell.colSpan = 9;
  why.append(cell);
  score.append(scoreBar(r), html("span", "", r.score.x || "–"));
  if (r.score.u) score.append(" ", html("small", "", `± ${r.score.u}`));
  row.append(html("td", "n place", r.low === r.high ? r.rank : `${r.rank} (${r.low}–${r.high})`), name, verdict(r.verdict), score, ...r.figures.map(figure));
  rowOf.set(r.blank, {told: text, rows: [row, why]});
  return [row, why];
}

function drawRanking() {
  const changed = JSON.stringify(profile) !== JSON.stringify(original);
  $("looking").textContent = !ranking.rows.length ? "Nothing is in this delivery yet: tap, or bring recordings." :
    `${ranking.qualified ? `${ranking.qualified} of ${ranking.rows.length} to keep` : `None of ${ranking.rows.length} qualifies`}, by the profile ${ranking.profile}${changed ? ", changed" : ""}. ± is one standard uncertainty; ranks in brackets span 95 %.`;
  const body = $("ranking").tBodies[0];
  clearTimeout(settling);
  if (sliding && body.rows.length === 2 * ranking.rows.length) { // what can't be seen follows once the slider rests
    const [from, to] = inView(body);
    for (let i = from; i < to; i++) {
      rowsOf(ranking.rows[i]).forEach((row, k) => {
        const there = body.rows[2 * i + k];
        if (there !== row) there.replaceWith(row.isConnected ? row.cloneNode(true) : row);
      });
    }
    settling = setTimeout(() => { sliding = false; drawRanking(); }, 250);
  } else body.replaceChildren(...ranking.rows.flatMap(rowsOf));
  $("unused").replaceChildren(...[...(ranking.unused ?? []).map(u => `${u.file}: ${u.reason}`), ...(ranking.notes ?? [])].map(t => html("li", "", t)));
}

const properties = {specific_modulus_mj_kg: ["Specific modulus", "MJ/kg", 10, 35], density_kg_m3: ["Density", "kg/m³", 600, 1400], youngs_modulus_gpa: ["Young’s modulus", "GPa", 8, 40], q: ["Sustain Q", "", 20, 500],
  purity_pct: ["Purity", "%", 0, 100], unevenness_pct: ["Unevenness", "%", 0, 60], drift_cents: ["Pitch drift", "cents", -60, 60], loudness_db: ["Loudness", "dB", -30, 30]};

function slider(label, value, low, high, stepBy, change) {
  const box = html("label", "slide"), input = Object.assign(html("input"), {type: "range", min: Math.min(low, value), max: Math.max(high, value), step: stepBy, value}), out = html("output", "", String(value));
  input.oninput = () => { change(input.valueAsNumber); out.textContent = input.value; sliding = true; rank(); };
  box.append(html("span", "", label), input, out);
  return box;
}

function drawSliders() {
  const list = [slider("Mark to keep", profile.keep_mark, 0, 100, 1, v => { profile.keep_mark = v; })];
  for (const [key, c] of Object.entries(profile.properties).sort((a, b) => Object.keys(properties).indexOf(a[0]) - Object.keys(properties).indexOf(b[0]))) {
    const [label, unit, low, high] = properties[key] ?? [key, "", 0, 100], box = html("fieldset"), by = high - low > 100 ? 5 : high - low > 40 ? 1 : .5;
    box.append(html("legend", "", `${label}${unit ? `, ${unit}` : ""}`), slider("weight", c.weight, 0, 5, .5, v => { c.weight = v; }));
    if (c.limit_low !== undefined) box.append(slider("at least", c.limit_low, low, high, by, v => { c.limit_low = v; }));
    box.append(slider("target", c.target, low, high, by, v => { c.target = v; }));
    if (c.limit_high !== undefined) box.append(slider("at most", c.limit_high, low, high, by, v => { c.limit_high = v; }));
    list.push(box);
  }
  $("sliders").replaceChildren(...list);
}

function listProfiles(names) { $("use").replaceChildren(...names.map(n => new Option(n))); }
$("use").onchange = async () => {
  try {
    listProfiles(await get(`profile?use=${encodeURIComponent($("use").value)}`, {}));
    profile = null;
    $("profile-said").textContent = "";
    rank();
  } catch (e) { $("profile-said").textContent = e.error; }
};
$("as-was").onclick = () => { profile = structuredClone(original); drawSliders(); rank(); };
$("save-profile").onsubmit = async e => {
  e.preventDefault();
  const own = structuredClone(profile);
  own.name = $("profile-name").value.trim();
  try {
    listProfiles(await get("profile", own));
    $("profile-said").textContent = `Kept as ${own.name}; it judges from now on.`;
    $("profile-name").value = "";
    profile = null;
    rank();
  } catch (e) { $("profile-said").textContent = e.error; }
};

// ---- listen

let context, sounds = new Map(), pair = null, gains = null, sources = [], on = 0, hidden = false, drawn = false, turn = 0;
const choices = [...document.querySelectorAll("[data-choice]")];

function drawPairs() {
  const names = ranking.rows.filter(r => r.sound).map(r => r.blank), were = [$("first").value, $("second").value];
  if ([...$("first").options].map(o => o.value).join() === names.join()) return;
  for (const [i, s] of [$("first"), $("second")].entries()) {
    s.replaceChildren(...names.map(n => new Option(n)));
    s.value = names.includes(were[i]) ? were[i] : names[i] ?? "";
  }
  settle();
  showChoices();
}

async function sound(blank) {
  if (!sounds.has(blank)) {
    const answer = await fetch(`${base}sound/${encodeURIComponent(blank)}`);
    if (!answer.ok) throw new Error(await answer.text());
    sounds.set(blank, await context.decodeAudioData(await answer.arrayBuffer()));
  }
  return sounds.get(blank);
}
// Loudness is matched over the first 0.3 s: a longer ring must not be played softer for it.
function strength(buffer) {
  const x = buffer.getChannelData(0), n = Math.min(x.length, Math.round(.3 * buffer.sampleRate));
  let sum = 0, peak = 0;
  x.forEach((v, k) => { if (k < n) sum += v * v; peak = Math.max(peak, Math.abs(v)); });
  return {rms: Math.sqrt(sum / n), peak};
}
function stop() {
  turn++;
  for (const s of sources) s.stop();
  sources = [];
  gains = null;
  $("play").textContent = "Play";
  $("switch").disabled = true;
  $("heard").textContent = "Silent.";
}
function sayHeard() { $("heard").textContent = `You hear the ${["first", "second"][on]}${hidden ? "." : `: ${pair[on]}`}`; }
async function start() {
  const mine = ++turn;
  context ??= new AudioContext();
  await context.resume();
  $("heard").textContent = "Fetching the sound …";
  const buffers = await Promise.all(pair.map(sound));
  if (mine !== turn) return;
  const long = Math.max(...buffers.map(b => b.duration)) + .35, levels = buffers.map(strength), level = Math.min(...levels.map(l => l.rms > 0 ? .9 * l.rms / l.peak : .9));
  gains = [];
  sources = [];
  on = 0;
  buffers.forEach((buffer, k) => {
    const loop = context.createBuffer(1, Math.ceil(long * context.sampleRate), context.sampleRate), source = context.createBufferSource(), match = context.createGain(), gain = context.createGain();
    loop.copyToChannel(buffer.getChannelData(0), 0);
    source.buffer = loop;
    source.loop = true;
    match.gain.value = levels[k].rms > 0 ? level / levels[k].rms : 0;
    gain.gain.value = k === on ? 1 : 0;
    source.connect(match).connect(gain).connect(context.destination);
    gains.push(gain);
    sources.push(source);
  });
  const at = context.currentTime + .05;
  for (const s of sources) s.start(at);
  $("play").textContent = "Stop";
  $("switch").disabled = false;
  for (const c of choices) c.disabled = false;
  sayHeard();
}
function settle() {
  stop();
  for (const c of choices) c.disabled = true;
  pair = [$("first").value, $("second").value];
  hidden = $("blind").checked;
  if (hidden && Math.random() < .5) pair.reverse();
  $("play").disabled = !pair[0] || pair[0] === pair[1];
  $("told").textContent = !pair[0] ? "There is no sound in this delivery yet." : pair[0] === pair[1] ? "Choose two different blanks." : drawn ? "A pair is drawn. Which two they are shows once you have chosen." : "";
  for (const s of [$("first"), $("second")]) s.parentElement.hidden = drawn;
}
$("play").onclick = () => sources.length ? stop() : start().catch(e => { $("heard").textContent = `It can’t be played: ${e.message}`; });
$("switch").onclick = () => {
  on = 1 - on;
  gains.forEach((g, k) => g.gain.setTargetAtTime(k === on ? 1 : 0, context.currentTime, .004));
  sayHeard();
};
for (const s of [$("first"), $("second"), $("blind")]) s.onchange = () => { drawn = false; settle(); };
$("draw").onclick = () => {
  const n = $("first").options.length;
  if (n < 2) return;
  const a = Math.floor(Math.random() * n);
  let b = a;
  while (b === a) b = Math.floor(Math.random() * n);
  $("first").selectedIndex = a;
  $("second").selectedIndex = b;
  $("blind").checked = drawn = true;
  settle();
};
for (const c of choices) c.onclick = async () => {
  const [first, second] = pair, k = Number(c.dataset.choice), was = hidden;
  stop();
  drawn = hidden = false;
  for (const s of [$("first"), $("second")]) s.parentElement.hidden = false;
  try {
    showChoices(await get("choices", {first, second, preferred: k < 0 ? "" : pair[k], blind: was}));
    $("told").textContent = `${was ? `The first was ${first}, the second ${second}. ` : ""}${k < 0 ? "Noted: no difference." : `Noted: ${pair[k]} preferred.`}`;
  } catch (e) { $("told").textContent = e.error; }
  for (const c of choices) c.disabled = true;
};
async function showChoices(list) {
  list ??= await get("choices").catch(() => []);
  const of = new Map();
  for (const c of list) for (const b of [c.first, c.second]) {
    const g = of.get(b) ?? {won: 0, of: 0};
    g.of++;
    if (c.preferred === b) g.won++;
    of.set(b, g);
  }
  $("choices").replaceChildren(...[...of].sort((a, b) => b[1].won / b[1].of - a[1].won / a[1].of).map(([b, g]) => html("li", "", `${b}: preferred ${g.won} of ${g.of}`)));
}

// ---- decide

const taken = new Set();
let taking = null; // which rows are to be chosen as soon as the ranking is there
function drawChosen() {
  if (taking) {
    const rows = taking(ranking.rows);
    taking = null;
    taken.clear();
    for (const r of rows) taken.add(r.blank);
  }
  const body = $("chosen").tBodies[0];
  body.replaceChildren(...(ranking?.rows ?? []).map(r => {
    const row = html("tr"), td = html("td"), box = Object.assign(html("input"), {type: "checkbox", checked: taken.has(r.blank)});
    box.setAttribute("aria-label", `Take ${r.blank}`);
    box.onchange = () => { if (box.checked) taken.add(r.blank); else taken.delete(r.blank); sum(); };
    td.append(box);
    row.append(td, Object.assign(html("th", "", r.blank), {scope: "row"}), verdict(r.verdict), figure(r.score), html("td", "n", r.price === null ? "–" : `${r.price.toFixed(2)} ${r.currency}`), html("td", "", r.grade));
    return row;
  }));
  sum();
}
function sum() {
  const sums = new Map();
  let without = 0;
  for (const r of ranking?.rows ?? []) if (taken.has(r.blank)) if (r.price === null) without++; else sums.set(r.currency, (sums.get(r.currency) ?? 0) + r.price);
  const budget = Number($("budget").value.replace(",", ".")), total = [...sums.values()].reduce((a, b) => a + b, 0);
  let text = `${taken.size} chosen`;
  if (sums.size) text += `, ${[...sums].map(([c, x]) => `${x.toFixed(2)} ${c}`.trim()).join(" and ")} together`;
  if (without) text += `, ${without} of them without a price`;
  if (budget > 0 && sums.size === 1) text += total <= budget ? `; ${(budget - total).toFixed(2)} left of the budget` : `; ${(total - budget).toFixed(2)} over the budget`;
  if (budget > 0 && sums.size > 1) text += "; prices of several currencies are not held against the budget";
  $("sum").textContent = text + ".";
  $("sum").className = budget > 0 && sums.size === 1 && total > budget ? "problem" : "";
}
function take(which) {
  taking = which;
  if (ranking) drawChosen(); else $("sum").textContent = "They are chosen as soon as the ranking is there.";
}
$("budget").oninput = sum;
$("best").oninput = () => take(rows => rows.filter(r => r.verdict !== "unread").slice(0, $("best").valueAsNumber || 0));
$("take-keep").onclick = () => take(rows => rows.filter(r => r.verdict === "keep"));
$("take-none").onclick = () => take(() => []);
$("enrol").onsubmit = async e => {
  e.preventDefault();
  $("entered").textContent = "Entering …";
  try { $("entered").textContent = (await get("stock", {Blanks: [...taken], Lot: $("lot").value.trim(), Place: $("place").value.trim()})).text; } catch (e) { $("entered").textContent = e.error; }
};

stage();
if (unsaved.size) flush(); // of an earlier visit
