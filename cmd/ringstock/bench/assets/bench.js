"use strict";
const $ = id => document.getElementById(id);
const svg = (name, attributes, text) => {
  const e = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
  if (text !== undefined) e.textContent = text;
  return e;
};
const html = (name, className, text) => {
  const e = document.createElement(name);
  if (className) e.className = className;
  if (text !== undefined) e.textContent = text;
  return e;
};
const kept = (name, otherwise) => JSON.parse(localStorage.getItem(name) ?? "null") ?? otherwise;
const keep = (name, value) => localStorage.setItem(name, JSON.stringify(value));

// ---- the line to the server

let socket, state = null, role = {}, nextID = 1, patience = 250;
let unmet = true; // this page has not been connected yet
const waiting = new Map();

function connect() {
  socket = new WebSocket(`ws://${location.host}/live`);
  socket.binaryType = "arraybuffer";
  let first = true;
  socket.onmessage = event => {
    const m = JSON.parse(event.data);
    if (m.kind === "level") hearLevel(m.body);
    if (m.kind === "state") show(m.body);
    if (m.kind === "role") {
      role = m.body;
      showRole();
      if (first) {
        patience = 250;
        broken("");
      }
      // After a break the controls go back to the page that had them, not to the quickest.
      if (role.holds) sessionStorage.setItem("holds", "yes");
      else if (role.held && !first) sessionStorage.removeItem("holds");
      else if (!role.held && (sessionStorage.getItem("holds") || unmet)) ask({do: "take"}).then(resumePhone, () => {});
      first = unmet = false;
    }
    if (m.kind === "answer") {
      const {ok, bad} = waiting.get(m.body.id) ?? {};
      waiting.delete(m.body.id);
      if (m.body.error || m.body.doubt) bad?.(m.body); else ok?.();
    }
  };
  socket.onclose = () => {
    broken("The bench does not answer. What was accepted is on the disk; this page goes on as soon as it is back.");
    for (const {bad} of waiting.values()) bad({error: "the bench does not answer"});
    waiting.clear();
    role = {};
    showRole();
    setTimeout(connect, patience = Math.min(2 * patience, 4000));
  };
}

function ask(request) {
  return new Promise((ok, bad) => {
    if (socket.readyState !== WebSocket.OPEN) return bad({error: "the bench does not answer"});
    waiting.set(nextID, {ok, bad});
    socket.send(JSON.stringify({id: nextID++, ...request}));
  });
}

const order = (name, text = "") => ask({do: "order", order: name, text}).catch(e => say(e.error));

function broken(text) {
  $("broken").textContent = text;
  $("broken").hidden = !text;
  document.body.classList.toggle("is-broken", !!text);
}

const say = text => { $("spoken").textContent = text; $("asked").textContent = text; };

// ---- the microphone of this browser

let trouble = ""; // why this browser's microphone can't be used
let phone = null, wanted = sessionStorage.getItem("phone") === "yes";

async function usePhone() {
  if ($("phone").disabled) return;
  wanted = true;
  trouble = "";
  sessionStorage.setItem("phone", "yes");
  $("phone").disabled = true;
  try {
    if (!navigator.mediaDevices) throw new Error("A browser lends its microphone only to a page on this very computer (127.0.0.1). Open the bench here, or choose a microphone of the computer that runs it.");
    await openPhone();
    await offerPhone();
  } catch (e) {
    closePhone();
    trouble = e.error ?? (e.name === "NotAllowedError" ? "The browser may not use a microphone: allow it by the sign beside the address, then press the button again." :
      e.name === "NotFoundError" ? "The browser finds no microphone: plug one in, then press the button again." : e.message);
    $("spoken").textContent = trouble;
  }
  $("phone").disabled = false;
  if (state) show(state);
}

async function openPhone() {
  if (phone) return;
  const off = {echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1};
  const stream = await navigator.mediaDevices.getUserMedia({audio: off});
  const track = stream.getAudioTracks()[0], set = track.getSettings();
  let context;
  try {
    context = new AudioContext(set.sampleRate ? {sampleRate: set.sampleRate} : {});
    context.createMediaStreamSource(stream);
  } catch { // a browser that does not mix rates
    context = new AudioContext();
  }
  phone = {stream, track, set, context};
  await context.audioWorklet.addModule("/ear.js");
  const ear = new AudioWorkletNode(context, "ear", {numberOfInputs: 1, numberOfOutputs: 0, channelCount: 1, channelCountMode: "explicit"});
  context.createMediaStreamSource(stream).connect(ear);
  ear.port.onmessage = event => {
    // A line that does not keep up loses pieces, and the server sees it from their places.
    if (role.mine && socket.readyState === WebSocket.OPEN && socket.bufferedAmount < 4e6) socket.send(event.data);
  };
  track.onended = () => { closePhone(); ask({do: "quiet"}).catch(() => {}); trouble = "The microphone was unplugged or taken away. Plug it in, then press the button again."; $("spoken").textContent = trouble; if (state) show(state); };
  // After a pause the stream begins anew: what was missed has no place in it.
  let paused = false;
  context.onstatechange = () => {
    if (context.state === "running" && paused && phone?.context === context && role.holds) offerPhone().catch(e => say(e.error));
    paused = context.state !== "running";
  };
  await context.resume();
}

function offerPhone() {
  const {set, context, track} = phone;
  const told = x => x === false ? "off" : x === true ? "on" : "unknown";
  return ask({do: "phone", phone: {rate: context.sampleRate, track_rate: set.sampleRate ?? 0, label: track.label,
    echo: told(set.echoCancellation), noise: told(set.noiseSuppression), gain: told(set.autoGainControl)}});
}

function closePhone() {
  phone?.stream.getTracks().forEach(t => t.stop());
  phone?.context.close();
  phone = null;
}

function resumePhone() {
  if (wanted) usePhone();
}

function hush() {
  wanted = false;
  sessionStorage.removeItem("phone");
  closePhone();
  ask({do: "quiet"}).catch(e => say(e.error));
}

function showRole() {
  const holds = !!role.holds;
  document.body.classList.toggle("looks-on", !holds);
  $("viewer").hidden = holds || role.held === undefined;
  $("holder").textContent = role.held ? "Another page holds the controls." : "No page holds the controls.";
  $("starts").hidden = !holds;
  const hears = role.hears || "";
  $("hears").textContent = hears ? `Listening: ${hears}` : "No microphone is on.";
  if (!hears) stillMeter();
  clearTimeout(overdue);
  if (hears) overdue = setTimeout(noLevel, 4000);
  $("hush").hidden = !hears;
  $("phone").hidden = !!hears;
  $("devices").hidden = !!hears || $("devices").options.length < 2;
  if (!role.mine && role.held && !holds) closePhone();
  for (const b of $("keys").querySelectorAll("button")) b.disabled = !holds && !["mute", "keys"].includes(b.dataset.do);
  for (const i of $("inputs").querySelectorAll("input")) i.readOnly = !holds;
}

// ---- signals

let muted = kept("muted", false), tones = null, ringing = false, pending = null;

const signals = {
  good: [[880, 0, .07]],
  again: [[330, 0, .12], [260, .16, .16]],
  next: [[880, 0, .08], [1175, .12, .08], [1568, .24, .12]],
};

// A signal waits until nothing rings, or it would spoil a tap.
function signal(name) {
  pending = name;
  if (!ringing) sound();
}

function sound() {
  const name = pending;
  pending = null;
  if (!name || muted || !role.holds) return;
  tones ??= new AudioContext();
  if (tones.state !== "running") { tones.resume(); if (!navigator.userActivation?.hasBeenActive) return; }
  const parts = signals[name], last = parts.at(-1), length = last[1] + last[2];
  ask({do: "cue", s: length + .25}).catch(() => {});
  const begin = tones.currentTime + .06;
  for (const [hz, at, long] of parts) {
    const tone = tones.createOscillator(), loud = tones.createGain();
    tone.frequency.value = hz;
    loud.gain.setValueAtTime(0, begin + at);
    loud.gain.linearRampToValueAtTime(.3, begin + at + .01);
    loud.gain.setValueAtTime(.3, begin + at + long - .03);
    loud.gain.linearRampToValueAtTime(0, begin + at + long);
    tone.connect(loud).connect(tones.destination);
    tone.start(begin + at);
    tone.stop(begin + at + long);
  }
}

// ---- while it rings

let live = null, overdue = 0;

// A meter that stands still must not look like a room that is quiet.
function stillMeter() {
  $("meter").firstElementChild.style.transform = "scaleX(0)";
  $("meter").classList.remove("clipped");
  $("meter").setAttribute("aria-label", "No input level: no microphone is on");
}

function noLevel() {
  stillMeter();
  $("hears").textContent = `No sound comes from ${role.hears} any more. Switch it off and on again, or plug it in anew.`;
}

function hearLevel(l) {
  clearTimeout(overdue);
  overdue = setTimeout(noLevel, 4000);
  if (role.hears) $("hears").textContent = `Listening: ${role.hears}`;
  const part = Math.min(1, Math.max(0, (l.peak + 72) / 72));
  $("meter").firstElementChild.style.transform = `scaleX(${part})`;
  $("meter").classList.toggle("clipped", l.clipped);
  $("meter").setAttribute("aria-label", l.clipped ? "Input level: clipped" : `Input level ${Math.round(l.peak)} dB`);
  if (l.ringing) {
    // A strike lifts the level; so does the next one, while the ring before it is still heard.
    if (!ringing || l.rms > live.top || l.rms > live.low + 12) live = {begin: l.at, points: [], top: l.rms, low: l.rms};
    live.low = Math.min(live.low, l.rms);
    live.points.push([l.at - live.begin, l.rms]);
    if (!ringing) $("say").textContent = "it rings …", $("said").className = "rings", $("mark").setAttribute("d", "");
    drawFall();
  }
  if (ringing && !l.ringing) {
    ringing = false;
    setTimeout(() => { if (!ringing && pending) sound(); }, 400);
    setTimeout(() => { if (!ringing && live) { live = null; if (state) show(state); } }, 2500);
  }
  ringing = l.ringing;
}

const span = curve => curve?.decay.length ? curve.decay.at(-1)[0] : 0;

// drawFall draws the level over time: the tap that rings or was last, and the longest so far.
function drawFall() {
  const last = state?.last?.curve, best = state?.best;
  const long = Math.max(span(live ? null : last), span(best), live?.points.at(-1)?.[0] ?? 0, 1.5);
  const right = [2, 3, 4, 6, 8, 12].find(x => x >= long) ?? 20;
  const deepest = Math.min(0, ...[best?.decay, best?.fit, live ? live.points.map(([t, db]) => [t, db - live.top]) : last?.decay].flatMap(c => c ?? []).filter(p => p[0] >= 0).map(p => p[1]));
  const low = deepest > -41 ? -40 : -60, step = low === -40 ? 10 : 20;
  const x = t => 1000 * t / right, y = db => 400 * Math.min(1.02, Math.max(-.02, db / low));
  const path = points => points.filter(p => p[0] >= 0).map(([t, db], i) => `${i ? "L" : "M"}${x(t).toFixed(1)} ${y(db).toFixed(1)}`).join("");
  // A fitted line is cut where it leaves the picture: pressed onto the edge it would be bent.
  const cut = line => line.flatMap(([t, db], i) => {
    if (db >= low) return [[t, db]];
    const [t0, db0] = line[i - 1] ?? [0, -Infinity];
    return db0 > low ? [[t0 + (t - t0) * (low - db0) / (db - db0), low]] : [];
  });
  const out = [], columns = [], rows = [];
  for (let db = 0; db >= low; db -= step) {
    out.push(svg("path", {class: "grid", d: `M0 ${y(db)}H1000`}));
    const label = html("span", "", db ? `−${-db}` : "0 dB");
    label.style.top = `${y(db) / 4}%`;
    rows.push(label);
  }
  for (let t = 0; t <= right; t += right > 6 ? 2 : right > 3 ? 1 : .5) {
    const label = html("span", "", t === right ? `${t} s` : `${t}`);
    label.style.left = `${x(t) / 10}%`;
    columns.push(label);
    out.push(svg("path", {class: "grid", d: `M${x(t)} 0V400`}));
  }
  // The fit of the longest is a line: it goes on where its recording ends.
  const [t1, db1] = best?.fit.at(-1) ?? [0, 0], on = t1 > 0 && db1 < 0 ? Math.max(1, Math.min(right / t1, low / db1)) : 1;
  if (best) out.push(svg("path", {class: "longest", d: path(best.fit.length ? [...best.fit, [t1 * on, db1 * on]] : best.decay)}));
  if (live) out.push(svg("path", {class: "live", d: path(live.points.map(([t, db]) => [t, db - live.top]))}));
  else if (last) {
    out.push(svg("path", {class: state.last.good ? "fall" : "fall refused", d: path(last.decay)}));
    if (last.fit.length) out.push(svg("path", {class: "fit", d: path(cut(last.fit))}));
  }
  $("curve").replaceChildren(...out);
  $("axis-x").replaceChildren(...columns);
  $("axis-y").replaceChildren(...rows);
  $("key-now").textContent = live ? "it rings" : last ? `${last.blank}, last tap` : "last tap";
  $("key-best").textContent = best ? `${best.blank}, longest so far` : "longest so far";
}

// ---- how things stand

const marks = {good: "M4 13l6 6L20 5", again: "M19 9a8 8 0 1 0 1 5M20 3v6h-6"};
const faces = {side: "on the face", other: "on the other face", end: "on the end grain"};
const tokens = {keep: "full", maybe: "half", leave: "rim", unread: "dash"};

function token(verdict) {
  const s = svg("svg", {viewBox: "0 0 24 24", class: "sign", "aria-hidden": "true"}), kind = tokens[verdict];
  s.append(svg("circle", {cx: 12, cy: 12, r: 9, class: kind === "full" ? "full" : kind === "dash" ? "rim dash" : "rim"}));
  if (kind === "half") s.append(svg("path", {class: "full", d: "M12 3a9 9 0 0 0 0 18z"}));
  return s;
}

// A "?" beside a figure's name shows what the manual says of it.
function asked(dt, id) {
  if (!id) return dt;
  const b = Object.assign(html("button", "help", "?"), {type: "button"});
  b.setAttribute("popovertarget", id);
  b.setAttribute("aria-label", `What is this? ${dt.textContent}`);
  dt.append(" ", b);
  return dt;
}

function number(f, name) {
  const box = html("div", f.x ? "" : "unknown"), value = html("dd");
  if (f.x) {
    value.append(html("b", "", f.x), html("small", "", [f.u && `± ${f.u}`, f.unit].filter(Boolean).join(" ")));
  } else value.append(html("b", "", "–"), html("small", "", f.why || "not known yet"));
  box.append(asked(html("dt", "", name ?? f.name), f.word), value);
  return box;
}

let shown = 0; // serial of the tap last signalled
let before = null;

function show(s) {
  const fresh = s.last && s.last.serial !== shown, known = state !== null;
  state = s;
  $("bench").setAttribute("aria-busy", "false");
  document.title = `${s.blank} · ${s.delivery}`;
  $("blank").textContent = s.blank;
  fit();
  $("face").textContent = faces[s.face] ?? s.face;
  const of = s.hands_free || s.good + 1;
  $("pips").replaceChildren(...Array.from({length: Math.min(of, 12)}, (_, i) => html("i", i < s.good ? "on" : "")));
  $("good").textContent = s.hands_free ? `${s.good} of ${s.hands_free} good taps` : s.good === 1 ? "1 good tap" : `${s.good} good taps`;
  $("verdict").className = `verdict ${s.verdict}`;
  $("verdict").replaceChildren(token(s.verdict), document.createTextNode(` ${s.verdict === "unread" ? "not heard yet" : s.verdict}`));
  if (s.score) $("verdict").append(html("small", "", ` score ${s.score}`));
  $("reason").textContent = s.verdict === "unread" ? "" : s.reasons[0] ?? "";
  $("wood").replaceChildren(...(s.verdict === "unread" ? [] : s.figures.filter((f, i) => f.x && i !== 0 && i !== 2).map(f => number(f))));
  const unsaved = s.unsaved ?? [];
  const doubts = [...(s.trouble ? [s.trouble] : []), ...unsaved.map(u => `Not saved yet, tried again: ${u}`), ...(s.looking ? [s.looking] : []), ...(s.notice ? [s.notice] : []), ...(s.room ? [s.room] : []), ...s.doubts, ...(s.measure_next && s.good ? [`Measure next: ${s.measure_next}`] : [])];
  $("doubts").replaceChildren(...doubts.map(d => html("li", d === s.trouble || d === s.room && s.room_poor || d.startsWith("Not saved") ? "loud" : d === s.room || d === s.looking || d.startsWith("Measure next") ? "calm" : "", d.replace(/(^|\s)-(?=\d)/g, "$1−"))));

  const t = s.last;
  $("keys").querySelector("[data-do=count]").hidden = !t?.asked;
  if (fresh || !ringing) {
    if (fresh && !ringing) live = null;
    const lost = trouble && !role.hears;
    $("said").className = lost ? "again" : !t ? "" : t.good ? "good" : "again";
    $("mark").setAttribute("d", lost || !t ? "" : t.good ? marks.good : marks.again);
    $("say").textContent = lost ? trouble : !t ? (role.hears ? "Tap the blank." : "Choose a microphone, then tap.") : t.good ? `good${t.blank === s.blank ? "" : ", " + t.blank}` : t.say + (t.asked ? `; or press ${keyName(keys.count[0] ?? "“count it”")} to count it` : "");
    $("figures").hidden = !t?.good;
    if (t?.good) {
      const note = html("div", "note"), value = html("dd");
      const name = html("b", "", t.note.replace("#", ""));
      if (t.note.includes("#")) name.firstChild.splitText(1).before(html("sup", "", "♯"));
      value.append(name, html("small", "", t.cents.replace("-", "−")));
      note.append(asked(html("dt", "", "note"), t.figures[0].word), value);
      $("figures").replaceChildren(note, ...t.figures.map((f, i) => number(f, i === 0 ? "pitch" : undefined)));
    }
  }
  drawFall();
  const fall = t?.curve?.fit.at(-1);
  $("curve-says").textContent = t?.good ? `The ring of ${t.blank} ${fall ? `falls to ${fall[1]} dB in ${fall[0]} s` : "was heard"}${s.best ? `; the longest so far is that of ${s.best.blank}` : ""}.` : "No ring to draw yet.";

  if (fresh) {
    shown = t.serial;
    $("spoken").textContent = `${t.blank}: ${t.good ? "good" : t.say}`;
    if (known) signal(t.good ? (before && before !== s.blank ? "next" : "good") : "again");
  } else if (known && before !== s.blank) {
    $("spoken").textContent = `Now ${s.blank}`;
    if (s.hands_free && before) signal("next");
  }
  before = s.blank;
  const free = $("keys").querySelector("[data-do=free]");
  free.setAttribute("aria-pressed", s.hands_free > 0);
  showFields(s);
  showBlanks(s);
}

// fit makes the number of the blank as large as there is room.
function fit() {
  const h = $("blank"), room = $("stick").clientWidth;
  h.style.fontSize = "";
  const size = parseFloat(getComputedStyle(h).fontSize), long = h.scrollWidth;
  if (long > room) h.style.fontSize = `${Math.max(28, Math.floor(size * room / long))}px`;
}
addEventListener("resize", fit);

function cell(f) {
  const td = html("td", "n", f.x || "–");
  td.title = f.x ? `± ${f.u} ${f.unit}` : f.why;
  return td;
}

function showBlanks(s) {
  $("blanks").replaceChildren(...s.blanks.map(b => {
    const row = html("tr", b.now ? "now" : ""), name = html("th"), go = html("button", "", b.blank), verdict = html("td", `verdict ${b.verdict}`);
    name.scope = "row";
    go.title = `Turn to ${b.blank}`;
    go.onclick = () => order("go to", b.blank);
    name.append(go);
    verdict.append(token(b.verdict), document.createTextNode(` ${b.verdict}`));
    row.append(html("td", "n place", b.rank || ""), name, verdict, cell(b.note), cell(b.sustain));
    return row;
  }));
  $("none").hidden = s.blanks.length > 0;
  $("none").textContent = s.looking || "Nothing was tapped in this delivery yet.";
  const now = $("blanks").querySelector(".now"), pane = now?.closest(".scroll");
  if (now && inHand !== s.blank) { // only the pane scrolls, not the page
    pane.scrollTop = now.offsetTop - (pane.clientHeight - now.offsetHeight) / 2;
    inHand = s.blank;
  }
}
let inHand = "";

// ---- measurements: callipers and scales type a number and Enter

let fieldsOf = ""; // the blank the fields are about, which stays while one of them has the focus

function showFields(s) {
  const busy = $("inputs").contains(document.activeElement);
  if (busy && fieldsOf !== s.blank) return;
  fieldsOf = s.blank;
  $("fields-of").textContent = `of ${s.blank}`;
  if (!$("inputs").children.length) {
    for (const f of s.fields) {
      const label = html("label", f.name), input = html("input");
      input.name = f.name;
      input.inputMode = f.unit || f.name === "price" ? "decimal" : "text";
      input.readOnly = !role.holds;
      input.maxLength = 2000;
      const name = html("span", "", f.label + " ");
      name.append(html("small", "", f.unit));
      label.append(name, input);
      input.onchange = () => enter(input, false);
      input.onkeydown = event => {
        if (event.key === "Enter") { event.preventDefault(); enter(input, true); }
        if (event.key === "Escape") { event.preventDefault(); input.value = input.dataset.text; delete input.dataset.asked; input.removeAttribute("aria-invalid"); $("asked").textContent = ""; input.blur(); }
      };
      input.onblur = () => setTimeout(() => state && showFields(state));
      $("inputs").append(label);
    }
  }
  for (const f of s.fields) {
    const input = $("inputs").querySelector(`[name=${f.name}]`);
    if (input === document.activeElement && input.value !== input.dataset.text) continue;
    input.parentElement.querySelector("small").textContent = f.unit;
    if (input.dataset.asked && input.dataset.asked !== f.text) continue;
    input.value = input.dataset.text = f.text;
  }
}

// What callipers type while an entry is on its way belongs to the field after it.
let meanwhile = null;

async function enter(input, goOn) {
  const text = input.value.trim();
  if (text === input.dataset.sent && !goOn) return;
  const asks = text !== input.dataset.text;
  if (asks) {
    const sure = input.dataset.asked === text && goOn;
    input.dataset.sent = text;
    meanwhile ??= [];
    try {
      await ask({do: "set", blank: fieldsOf, field: input.name, text, sure});
      input.dataset.text = text;
      delete input.dataset.asked;
      input.removeAttribute("aria-invalid");
      $("asked").textContent = "";
    } catch (e) {
      input.setAttribute("aria-invalid", "true");
      if (e.later) { // it is kept by the bench, which tries again: one can go on
        input.dataset.text = text;
        $("asked").textContent = "";
        delete input.dataset.sent;
        input.removeAttribute("aria-invalid");
        return step(input, goOn);
      }
      $("asked").textContent = e.doubt ? `${e.doubt.replace(/[^?.]$/, "$&.")} Enter once more keeps it.` : e.error;
      if (e.doubt) input.dataset.asked = text;
      input.focus();
      input.select();
      goOn = false;
    }
    delete input.dataset.sent;
  }
  step(input, goOn, asks);
}

// step goes on to the next field, and types there what came meanwhile.
function step(input, goOn, asks = true) {
  if (goOn && document.activeElement === input) {
    const all = [...$("inputs").querySelectorAll("input")], next = all[all.indexOf(input) + 1];
    if (next) { next.focus(); next.select(); } else input.blur();
  }
  if (!asks || !meanwhile) return;
  const keys = meanwhile;
  meanwhile = null;
  while (keys.length && !meanwhile) {
    const key = keys.shift(), to = document.activeElement;
    if (!$("inputs").contains(to)) return;
    if (key === "Enter") enter(to, true); else to.setRangeText(key, to.selectionStart, to.selectionEnd, "end");
  }
  meanwhile?.push(...keys);
}

// ---- keys, pedal, buttons

const firstKeys = {next: ["n", "PageDown"], again: ["a"], drop: ["d", "PageUp"], count: ["y"], other: ["o"], end: ["e"], measure: ["m"], free: ["h"], mute: ["s"]};
let keys = {...firstKeys, ...kept("keys", {})}, learning = null;

const commands = {
  next: () => order("next"),
  again: () => sure("again", state?.good, n => `Take back ${n === 1 ? "the good tap" : `all ${n} good taps`} of ${state.blank}?`),
  drop: () => order("drop"),
  count: () => state?.last?.asked && order("count"),
  other: () => order("other"),
  end: () => order("end"),
  measure: () => { const all = [...$("inputs").querySelectorAll("input")], i = all.find(x => !x.value) ?? all[0]; i?.focus(); i?.select(); },
  free: () => ask({do: "hands free", taps: state?.hands_free ? 0 : kept("taps", 5)}).catch(e => say(e.error)),
  mute: () => { muted = !muted; keep("muted", muted); showMute(); },
  keys: () => { showKeys(); $("setup").showModal(); },
};

// sure carries out an order that takes something away only when it is given twice.
let askedFor = null;
function sure(name, n, question) {
  if (!n) return;
  if (askedFor?.name === name && askedFor.blank === state.blank) {
    forgetAsked();
    order(name);
    return;
  }
  askedFor = {name, blank: state.blank, timer: setTimeout(forgetAsked, 8000)};
  $("sure").textContent = `${question(n)} Press ${keyName(keys[name][0] ?? "the button")} once more for yes; anything else means no.`;
  $("sure").hidden = false;
}

function forgetAsked() {
  clearTimeout(askedFor?.timer);
  askedFor = null;
  $("sure").hidden = true;
}

const showMute = () => {
  const b = $("keys").querySelector("[data-do=mute]");
  b.setAttribute("aria-pressed", muted);
};

const keyName = k => ({" ": "Space", ArrowLeft: "←", ArrowRight: "→", ArrowUp: "↑", ArrowDown: "↓"})[k] ?? (k.length === 1 ? k.toUpperCase() : k);

function showKeys() {
  for (const b of $("keys").querySelectorAll("button")) {
    const k = keys[b.dataset.do];
    b.querySelector("kbd")?.remove();
    if (k?.length) b.prepend(Object.assign(html("kbd", "", keyName(k[0]))));
  }
  $("setup-keys").replaceChildren(...Object.keys(firstKeys).map(name => {
    const row = html("tr"), head = html("th", "", $("keys").querySelector(`[data-do=${name}]`).lastChild.textContent.trim()), cell = html("td"), b = html("button", "", keys[name].map(keyName).join(" or ") || "none");
    head.scope = "row";
    b.setAttribute("aria-label", `Key for ${head.textContent}: ${b.textContent}. Choose another`);
    b.onclick = () => { learning = name; b.textContent = "press a key or the pedal …"; };
    cell.append(b);
    row.append(head, cell);
    return row;
  }));
}

document.addEventListener("keydown", event => {
  if (learning) {
    if (["Shift", "Control", "Alt", "Meta", "Tab"].includes(event.key)) return;
    event.preventDefault();
    event.stopPropagation();
    if (event.key !== "Escape") {
      for (const name in keys) keys[name] = keys[name].filter(k => k !== event.key);
      keys[learning] = [event.key];
      keep("keys", keys);
    }
    learning = null;
    showKeys();
    return;
  }
  if (event.repeat || event.ctrlKey || event.altKey || event.metaKey || $("setup").open) return;
  if (meanwhile && $("inputs").contains(event.target) && (event.key.length === 1 || event.key === "Enter")) {
    event.preventDefault();
    event.stopPropagation();
    meanwhile.push(event.key);
    return;
  }
  const typing = event.target.matches("input, textarea, select"), writes = event.key.length === 1 || ["Enter", "Backspace", "Delete"].includes(event.key);
  if (typing && (writes || event.key.startsWith("Arrow"))) return;
  if (event.target.matches("button") && (event.key === " " || event.key === "Enter")) return;
  const name = Object.keys(keys).find(n => keys[n].some(k => k === event.key || k.length === 1 && k === event.key.toLowerCase()));
  if (askedFor && name !== askedFor.name) forgetAsked();
  if (!name) return;
  event.preventDefault();
  commands[name]();
}, true);

for (const b of $("keys").querySelectorAll("button")) b.onclick = () => { commands[b.dataset.do](); if (!["measure", "keys"].includes(b.dataset.do)) b.blur(); };
$("phone").onclick = usePhone;
$("hush").onclick = hush;
$("take").onclick = () => ask({do: "take"}).then(resumePhone, e => say(e.error));
$("devices").onchange = () => { if ($("devices").value) ask({do: "device", name: $("devices").value}).catch(e => say(e.error)); $("devices").value = ""; };
$("fields").onsubmit = event => event.preventDefault();
$("taps").value = kept("taps", 5);
$("taps").onchange = () => {
  const n = Math.min(20, Math.max(1, Math.round($("taps").valueAsNumber) || 5));
  keep("taps", n);
  $("taps").value = n;
  if (state?.hands_free) ask({do: "hands free", taps: n}).catch(e => say(e.error));
};
$("setup-reset").onclick = () => { keys = structuredClone(firstKeys); keep("keys", keys); showKeys(); };
$("setup-close").onclick = () => $("setup").close();
showKeys();
showMute();
drawFall();
connect();
