"use strict";
// What an act gives is shown while its form is filled in: the same command runs, without what would change anything.
const $ = id => document.getElementById(id);
const form = document.querySelector("form.act");
let busy = false, again = false, timer = 0;

const filled = () => [...form.querySelectorAll("[data-needed]")].every(e => e.value || form.querySelector(`[name="${e.name}-file"]`)?.files.length);

async function run() {
  if (busy) { again = true; return; }
  if (!filled()) return;
  busy = true;
  try {
    do {
      again = false;
      $("live-said").className = "hint";
      const slow = setTimeout(() => { $("live-said").textContent = "Working …"; }, 300);
      const answer = await fetch(`${location.pathname}?live`, {method: "POST", body: new FormData(form)}), out = await answer.json();
      clearTimeout(slow);
      $("live-said").textContent = [out.problem, out.log].filter(Boolean).join(" ") || "This follows what is filled in.";
      $("live-said").className = out.problem ? "problem" : "hint";
      if (out.found) drawLine(out.found.line);
      if (out.due) listDue(out.due.due);
      if (out.agree) drawAgree(out.agree);
      $("live-out").hidden = !out.out || !!out.sheet;
      $("live-out").textContent = out.out ?? "";
      if (out.sheet) await showSheet(out.sheet);
    } while (again);
  } catch {
    $("live-said").textContent = "The workshop does not answer; change something to try again.";
    $("live-said").className = "problem";
  }
  busy = false;
}
const soon = () => { clearTimeout(timer); timer = setTimeout(run, 60); };

// The new sheet takes the old one's place once it is drawn, so that nothing flickers.
function showSheet(path) {
  return new Promise(done => {
    const frame = document.createElement("iframe");
    frame.title = document.querySelector("h1").textContent;
    frame.className = "coming";
    frame.src = path;
    frame.onload = () => {
      frame.onload = null;
      const at = scrollY;
      frame.style.height = `${frame.contentDocument.body.scrollHeight + 20}px`;
      frame.className = "";
      for (const f of [...$("live-sheet").children]) if (f !== frame) f.remove(); // a frame that is moved loads anew
      scrollTo(0, at);
      $("live-print").hidden = false;
      $("live-print").firstChild.href = path;
      done();
    };
    $("live-sheet").append(frame);
  });
}

const make = (name, ...inside) => { const e = document.createElement(name); e.append(...inside); return e; };

// How far the score and its parts put sticks in the order of the maker's own grades: a dot
// with its 95 % interval, from the opposite order to the same.
function drawAgree(a) {
  const svg = (name, at, text) => { const e = document.createElementNS("http://www.w3.org/2000/svg", name); for (const k in at) e.setAttribute(k, at[k]); if (text) e.textContent = text; return e; };
  const rows = [["score", a.score], ...(a.proposal ? [["with the weights proposed", a.proposal.after]] : []), ...(a.parts ?? []).map(p => [p.name, p])];
  const left = 210, wide = 430, high = 30, x = tau => left + wide * (tau + 1) / 2, foot = rows.length * high + 12;
  const out = svg("svg", {class: "agree", viewBox: `0 0 680 ${foot + 40}`, role: "img", "aria-label": rows.map(([name, r]) => `${name}: ${r.tau.toFixed(2)}, from ${r.low.toFixed(2)} to ${r.high.toFixed(2)}`).join("; ")});
  for (const [tau, text] of [[-1, "opposite order"], [0, "no connection"], [1, "same order"]])
    out.append(svg("line", {class: tau ? "edge" : "zero", x1: x(tau), x2: x(tau), y1: 4, y2: foot}), svg("text", {x: x(tau), y: foot + 22, "text-anchor": tau < 0 ? "start" : tau > 0 ? "end" : "middle"}, text));
  rows.forEach(([name, r], i) => {
    const y = i * high + 22;
    out.append(svg("text", {x: left - 14, y: y + 5, "text-anchor": "end"}, name), svg("line", {class: "span", x1: x(r.low), x2: x(r.high), y1: y, y2: y}), svg("circle", {cx: x(r.tau), cy: y, r: 6}));
  });
  const says = make("ul", ...(a.reasons ?? []).map(t => make("li", t)));
  $("live-sheet").replaceChildren(...(a.score.low < a.score.high ? [make("p", `${a.n} sticks have a grade of yours and a score. A line is a 95 % interval.`), out] : []), says);
}

// What is due is a list to work through: a line leads to its stick, and to the page where
// the work is entered.
function listDue(list) {
  const link = (to, text) => Object.assign(make("a", text), {href: to});
  const rows = list.map(d => make("tr",
    make("th", d.id ? link(`/stock/${d.id}`, d.blank) : `lot ${d.lot}`), make("td", link(d.id ? `/do/test?a0=${d.id}` : `/do/paper?a0=${encodeURIComponent(d.lot)}`, d.what)),
    make("td", d.place), make("td", d.since), make("td", d.why)));
  for (const r of rows) r.firstChild.scope = "row";
  const heads = ["stick", "to do", "place", "since", "why"].map(h => Object.assign(make("th", h), {scope: "col"}));
  const pane = Object.assign(make("div", make("table", make("thead", make("tr", ...heads)), make("tbody", ...rows))), {className: "scroll", tabIndex: 0});
  pane.setAttribute("role", "region");
  pane.setAttribute("aria-label", "What is due");
  $("live-sheet").replaceChildren(make("p", list.length ? `${list.length} to do, the oldest first.` : "Nothing is due."), list.length ? pane : "");
}

for (const slider of form.querySelectorAll("input[data-for]")) {
  const field = form.elements[slider.dataset.for];
  slider.addEventListener("input", e => { e.stopPropagation(); field.value = slider.value; soon(); });
  field.addEventListener("input", () => { if (field.value) slider.value = field.value.replace(",", "."); });
}
form.addEventListener("input", e => { if (!e.target.closest(".acts")) soon(); });
form.addEventListener("change", e => { if (!e.target.closest(".acts")) soon(); });
let width = innerWidth;
addEventListener("resize", () => {
  if (innerWidth === width) return;
  width = innerWidth;
  for (const f of $("live-sheet").children) if (f.contentDocument) f.style.height = `${f.contentDocument.body.scrollHeight + 20}px`;
});
soon();

// ---- a tracing: marks and places are set in the picture, and can be dragged

const canvas = document.querySelector("#picture canvas"), over = document.querySelector("#picture svg");
let found = [], held = null;
const places = name => form.elements[name].value.split(/[: ]+/).filter(Boolean).map(p => p.split(",").map(Number)).filter(p => p.length === 2 && p.every(Number.isFinite));
const setPlaces = (name, list) => { form.elements[name].value = list.map(p => p.map(Math.round).join(",")).join(":"); drawOver(); };
function drawLine(line) { found = line ?? []; drawOver(); }
function drawOver() {
  if (!over) return;
  const make = (n, a) => { const e = document.createElementNS("http://www.w3.org/2000/svg", n); for (const [k, v] of Object.entries(a)) e.setAttribute(k, v); return e; };
  const r = Number(over.dataset.wide) / 110;
  over.replaceChildren(make("polyline", {class: "found", points: found.map(p => `${p.x},${p.y}`).join(" ")}),
    ...places("between").map(([x, y]) => make("path", {class: "mark", d: `M${x - r} ${y}h${2 * r}M${x} ${y - r}v${2 * r}`})),
    ...places("through").map(([x, y]) => make("circle", {class: "through", cx: x, cy: y, r: r / 2})));
}
if (canvas) {
  form.elements["a0-file"].addEventListener("change", async e => {
    const file = e.target.files[0];
    $("tracing").hidden = !file;
    if (!file) return;
    try {
      const img = await createImageBitmap(file);
      canvas.width = Math.min(img.width, 2400);
      canvas.height = Math.round(img.height * canvas.width / img.width);
      canvas.getContext("2d").drawImage(img, 0, 0, canvas.width, canvas.height);
      over.setAttribute("viewBox", `0 0 ${img.width} ${img.height}`);
      over.dataset.wide = img.width;
      found = [];
      drawOver();
    } catch {
      $("live-said").textContent = "This picture can’t be shown: choose a PNG or JPEG.";
      $("live-said").className = "problem";
    }
  });
  const at = e => { const b = over.getBoundingClientRect(), v = over.viewBox.baseVal; return [(e.clientX - b.left) / b.width * v.width, (e.clientY - b.top) / b.height * v.height]; };
  over.addEventListener("pointerdown", e => {
    const name = document.querySelector("[name=hand]:checked").value, p = at(e), list = places(name), near = Number(over.dataset.wide) / 80;
    let i = list.findIndex(q => Math.hypot(q[0] - p[0], q[1] - p[1]) < near);
    if (i < 0) {
      if (name === "between" && list.length === 4) list.length = 0;
      i = list.push(p) - 1;
      setPlaces(name, list);
    }
    held = {name, i};
    over.setPointerCapture(e.pointerId);
  });
  over.addEventListener("pointermove", e => {
    if (!held) return;
    const list = places(held.name);
    list[held.i] = at(e);
    setPlaces(held.name, list);
  });
  over.addEventListener("pointerup", () => { held = null; soon(); });
  $("clear").addEventListener("click", () => { setPlaces(document.querySelector("[name=hand]:checked").value, []); found = []; drawOver(); soon(); });
  for (const name of ["between", "through"]) form.elements[name].addEventListener("input", drawOver);
}
