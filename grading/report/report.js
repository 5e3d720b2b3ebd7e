"use strict";
(() => {
  const $ = (q, root = document) => root.querySelector(q);
  const $$ = (q, root = document) => [...root.querySelectorAll(q)];

  // --- ranking: find, show by verdict, sort -------------------------------------
  const table = $(".ranking");
  const articles = new Map($$("article.blank").map(a => [a.dataset.i, a]));
  if (table) {
    const body = table.tBodies[0];
    const rows = [...body.rows];
    const spots = $$(".map [data-i]");
    const find = $("#find"), sort = $("#sort"), shown = $("#shown");
    const boxes = $$("input[name=verdict]");
    let key = "rank", down = false;
    const names = new Intl.Collator(undefined, { numeric: true, sensitivity: "base" });

    const filter = () => {
      const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
      const verdicts = new Set(boxes.filter(b => b.checked).map(b => b.value));
      let n = 0;
      const on = new Set();
      for (const row of rows) {
        const text = row.dataset.find.toLowerCase();
        const ok = verdicts.has(row.dataset.verdict) && words.every(w => text.includes(w));
        row.hidden = !ok;
        const article = articles.get(row.dataset.i);
        if (article) article.hidden = !ok;
        if (ok) { n++; on.add(row.dataset.i); }
      }
      for (const s of spots) s.classList.toggle("dim", !on.has(s.dataset.i));
      shown.textContent = n === rows.length ? `All ${n} blanks` : `${n} of ${rows.length} blanks`;
    };

    // What is not known comes last, whichever way one sorts.
    const compare = (a, b) => {
      const x = a.dataset[key], y = b.dataset[key];
      if (key === "name") return (down ? -1 : 1) * names.compare(x, y);
      if (x === "" || y === "") return (x === "") - (y === "");
      return (down ? -1 : 1) * (Number(x) - Number(y));
    };
    const order = () => {
      rows.sort((a, b) => compare(a, b) || a.dataset.rank - b.dataset.rank);
      body.append(...rows);
      const first = articles.values().next().value;
      if (first) first.parentElement.append(...rows.map(r => articles.get(r.dataset.i)).filter(Boolean));
      mark();
    };
    const mark = () => {
      sort.value = key;
      for (const th of $$("th[data-key]", table)) {
        if (th.dataset.key === key) th.setAttribute("aria-sort", down ? "descending" : "ascending");
        else th.removeAttribute("aria-sort");
      }
    };
    const by = k => {
      down = k === key ? !down : k.startsWith("f");
      key = k;
      order();
    };
    for (const th of $$("th[data-key]", table)) {
      const button = document.createElement("button");
      button.type = "button";
      button.append(...th.childNodes);
      button.addEventListener("click", () => by(th.dataset.key));
      th.append(button);
    }
    sort.addEventListener("change", () => { key = ""; by(sort.value); });
    find.addEventListener("input", filter);
    for (const b of boxes) b.addEventListener("change", filter);
    // Map and table are two views of one choice.
    const light = (i, on) => { for (const e of [...spots, ...rows]) if (e.dataset.i === i) e.classList.toggle("lit", on); };
    for (const e of [...spots, ...rows]) {
      for (const [event, on] of [["mouseenter", true], ["mouseleave", false], ["focusin", true], ["focusout", false]]) {
        e.addEventListener(event, () => light(e.dataset.i, on));
      }
    }
    for (const s of spots) s.addEventListener("click", () => choose(s.dataset.i));
    // The points are one stop of the keyboard: left and right go along the density, up and down along E/ρ.
    const points = $$(".map g.spot");
    $(".map")?.setAttribute("role", "group");
    const place = p => { const c = $("circle", p); return [Number(c.getAttribute("cx")), -Number(c.getAttribute("cy"))]; };
    points.forEach((p, k) => {
      p.setAttribute("role", "link");
      p.setAttribute("aria-label", $("title", p).textContent);
      p.setAttribute("tabindex", k === points.length - 1 ? 0 : -1);
      p.addEventListener("keydown", e => {
        if (e.key === "Enter") { e.preventDefault(); choose(p.dataset.i); return; }
        const way = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowDown: [1, -1], ArrowUp: [1, 1] }[e.key];
        if (!way) return;
        e.preventDefault();
        const on = points.filter(q => !q.classList.contains("dim")).sort((a, b) => place(a)[way[0]] - place(b)[way[0]]);
        const next = on[(on.indexOf(p) + way[1] + on.length) % on.length];
        if (!next) return;
        p.setAttribute("tabindex", -1);
        next.setAttribute("tabindex", 0);
        next.focus();
      });
    });
    // The ranking alone, as it is filtered and sorted.
    const alone = on => document.body.classList.toggle("alone", on);
    $("#print-ranking").addEventListener("click", () => { alone(true); window.print(); });
    addEventListener("afterprint", () => alone(false));
    $(".tools").hidden = false;
    filter();
    mark();
  }
  // A blank is mere text below its head until the page has been painted, and its closed tables until
  // they are opened: as elements from the start, hundreds of blanks would keep one waiting.
  const unfold = texts => { for (const t of texts) t.outerHTML = t.textContent; };
  document.addEventListener("toggle", e => unfold($$("noscript", e.target)), true);
  const folded = new Set(articles.values());
  const unfoldBlank = article => {
    if (folded.delete(article)) unfold($$(":scope > * > noscript", article));
  };
  // Going to a blank. Those before it have only a guessed height until they come near or unfold, so the page is
  // set right until nothing moves any more, or the reader moves it.
  let going = 0;
  const stay = () => { going++; };
  for (const event of ["wheel", "touchmove", "keydown", "mousedown"]) addEventListener(event, stay, { passive: true });
  const goTo = article => {
    const mine = ++going;
    let calm = 0, at = Infinity;
    unfoldBlank(article);
    const step = () => {
      if (mine !== going) return;
      article.scrollIntoView({ behavior: "instant", block: "start" });
      calm = Math.abs(article.getBoundingClientRect().top - at) < 1 ? calm + 1 : 0;
      at = article.getBoundingClientRect().top;
      if (calm < 10 || folded.size) requestAnimationFrame(step);
    };
    step();
    $("h3", article).focus({ preventScroll: true });
  };
  const choose = i => {
    const article = articles.get(i);
    if (!article) return;
    if (location.hash !== "#b" + i) history.pushState(null, "", "#b" + i);
    article.hidden = false;
    goTo(article);
  };
  const follow = () => { const i = /^#b(\d+)$/.exec(location.hash)?.[1]; if (i) choose(i); };
  addEventListener("popstate", follow);
  document.addEventListener("click", e => {
    const link = e.target.closest('a[href^="#"]');
    if (!link || e.ctrlKey || e.metaKey || e.shiftKey) return;
    const article = link.closest("article.blank");
    if (article && link.rel) { // as the blanks are sorted and filtered now
      e.preventDefault();
      let a = article;
      do a = link.rel === "next" ? a.nextElementSibling : a.previousElementSibling; while (a?.hidden);
      if (a?.dataset.i) choose(a.dataset.i);
    } else if (article && link.hash === "#ranking") {
      e.preventDefault();
      going++;
      const row = $(`.ranking tr[data-i="${article.dataset.i}"] a`);
      row.scrollIntoView({ behavior: "instant", block: "center" });
      row.focus({ preventScroll: true });
    } else if (/^#b\d+$/.test(link.hash)) {
      e.preventDefault();
      choose(link.hash.slice(2));
    }
  });
  const unfoldAll = () => folded.forEach(unfoldBlank);
  const atLeisure = window.requestIdleCallback ?? (f => setTimeout(f, 20, { timeRemaining: () => 10 }));
  const unfoldMore = leisure => {
    for (const article of folded) {
      unfoldBlank(article);
      if (leisure.timeRemaining() < 5) break;
    }
    if (folded.size) atLeisure(unfoldMore);
  };
  atLeisure(unfoldMore);
  addEventListener("beforeprint", () => { if (!document.body.classList.contains("alone")) unfoldAll(); });
  follow();

  // --- two blanks side by side ----------------------------------------------------
  const pane = $("#pair");
  if (pane) {
    const halves = $(".halves", pane), sides = [$("#left"), $("#right")];
    const half = i => {
      const article = articles.get(i), copy = document.createElement("article");
      unfoldBlank(article);
      copy.className = `${article.className} half`;
      copy.append(...[...article.children].map(c => c.cloneNode(true)));
      for (const e of $$("[id]", copy)) e.removeAttribute("id");
      for (const e of $$(".back, audio, details, .beside", copy)) e.remove();
      $("h3", copy).removeAttribute("tabindex");
      return copy;
    };
    const draw = () => halves.replaceChildren(...sides.map(s => s.value).filter(Boolean).map(half));
    for (const s of sides) s.addEventListener("change", draw);
    for (const [i, article] of articles) {
      const button = Object.assign(document.createElement("button"), { type: "button", className: "beside", textContent: "Set beside another" });
      button.setAttribute("aria-label", `Set beside another: ${$("h3", article).textContent}`);
      button.addEventListener("click", () => {
        sides[0].value = i;
        if (sides[1].value === i) sides[1].value = "";
        draw();
        going++;
        pane.scrollIntoView({ behavior: "instant", block: "start" });
        sides[1].focus({ preventScroll: true });
      });
      $(".back", article).before(button);
    }
    pane.hidden = false;
  }
  // Paper shows what the screen shows, so this also decides what is printed.
  const all = $("#all");
  all?.addEventListener("change", () => {
    unfoldAll();
    for (const d of $$("article.blank details")) {
      if (all.checked) unfold($$("noscript", d));
      d.open = all.checked;
    }
  });

  // --- listening: two blanks in step, one heard ----------------------------------
  const desk = $(".desk");
  if (!desk) return;
  desk.hidden = false;
  const blanks = [...articles.values()].filter(a => "sound" in a.dataset)
    .map(a => ({ i: a.dataset.i, name: $("h3", a).textContent, article: a }));
  const first = $("#first"), second = $("#second"), blind = $("#blind");
  const play = $("#play"), flip = $("#switch"), heard = $("#heard"), told = $("#told");
  const choices = $$("[data-choice]");
  const tiles = $$(".tile");
  for (const select of [first, second]) {
    select.append(...blanks.map((b, k) => new Option(b.name, k)));
  }
  second.selectedIndex = 1;
  const ordinal = ["first", "second"];

  let context, decoded = new Map();
  let pair = null;      // the two blanks, in the order in which they are called first and second
  let gains = null, sources = [], on = 0, hidden = false, turn = 0;

  // The sound stands in the page itself; no request is made for it.
  const sound = async blank => {
    if (!decoded.has(blank.i)) {
      unfoldBlank(blank.article);
      const text = atob($("audio", blank.article).src.split(",", 2)[1]);
      const bytes = Uint8Array.from(text, c => c.charCodeAt(0));
      decoded.set(blank.i, await context.decodeAudioData(bytes.buffer));
    }
    return decoded.get(blank.i);
  };
  // Loudness is matched over the first 0.3 s: a longer ring must not be played softer for it.
  const strength = buffer => {
    const x = buffer.getChannelData(0), n = Math.min(x.length, Math.round(0.3 * buffer.sampleRate));
    let sum = 0, peak = 0;
    x.forEach((v, k) => { if (k < n) sum += v * v; peak = Math.max(peak, Math.abs(v)); });
    return { rms: Math.sqrt(sum / n), peak };
  };

  const stop = () => {
    turn++;
    for (const s of sources) s.stop();
    sources = []; gains = null;
    play.textContent = "Play"; flip.disabled = true;
    heard.textContent = "Silent.";
    lamps(-1);
  };
  const lamps = k => tiles.forEach((tile, j) => {
    tile.classList.toggle("on", j === k);
    $(".now", tile).textContent = j === k ? "sounding" : "silent";
  });
  const say = () => {
    heard.textContent = `You hear the ${ordinal[on]}${hidden ? "." : ": " + pair[on].name}`;
    lamps(on);
  };
  // Both run all the time from one clock; the switch only turns two gains.
  const start = async () => {
    const mine = ++turn;
    context ??= new AudioContext();
    await context.resume();
    const buffers = await Promise.all(pair.map(sound));
    if (mine !== turn) return;
    const length = Math.max(...buffers.map(b => b.duration)) + 0.35;
    const levels = buffers.map(strength);
    const level = Math.min(...levels.map(l => l.rms > 0 ? 0.9 * l.rms / l.peak : 0.9));
    gains = []; sources = [];
    on = 0;
    buffers.forEach((buffer, k) => {
      const loop = context.createBuffer(1, Math.ceil(length * context.sampleRate), context.sampleRate);
      loop.copyToChannel(buffer.getChannelData(0), 0);
      const source = context.createBufferSource(), match = context.createGain(), gain = context.createGain();
      source.buffer = loop;
      source.loop = true;
      match.gain.value = levels[k].rms > 0 ? level / levels[k].rms : 0;
      gain.gain.value = k === on ? 1 : 0;
      source.connect(match).connect(gain).connect(context.destination);
      gains.push(gain); sources.push(source);
    });
    const at = context.currentTime + 0.05;
    for (const s of sources) s.start(at);
    play.textContent = "Stop"; flip.disabled = false;
    for (const c of choices) c.disabled = false;
    say();
  };
  const settle = () => { // a new pair is chosen
    stop();
    told.textContent = "";
    for (const c of choices) c.disabled = true;
    pair = [blanks[first.value], blanks[second.value]];
    hidden = blind.checked;
    if (hidden && Math.random() < 0.5) pair.reverse();
    play.disabled = pair[0] === pair[1];
    if (play.disabled) told.textContent = "Choose two different blanks.";
  };
  play.addEventListener("click", () => sources.length ? stop() : start().catch(e => { heard.textContent = "This browser can’t play it: " + e.message; }));
  flip.addEventListener("click", () => {
    on = 1 - on;
    gains.forEach((g, k) => g.gain.setTargetAtTime(k === on ? 1 : 0, context.currentTime, 0.004));
    say();
  });
  for (const s of [first, second]) {
    s.addEventListener("change", () => { drawn = false; veil(); settle(); });
  }
  blind.addEventListener("change", () => { if (!blind.checked) drawn = false; veil(); settle(); });

  // A drawn pair is blind from the start: not even the two names are shown.
  let drawn = false;
  const veil = () => {
    for (const tile of tiles) {
      $("select", tile).hidden = drawn;
      $(".mask", tile).hidden = !drawn;
    }
  };
  $("#draw").addEventListener("click", () => {
    const audible = blanks.map((b, k) => k).filter(k => !articles.get(blanks[k].i).hidden);
    const from = audible.length > 1 ? audible : blanks.map((b, k) => k);
    const a = from[Math.floor(Math.random() * from.length)];
    let b = a;
    while (b === a) b = from[Math.floor(Math.random() * from.length)];
    first.value = a; second.value = b;
    blind.checked = true; drawn = true;
    veil();
    settle();
    told.textContent = "A pair is drawn. Which two they are shows once you have chosen.";
  });

  // --- the maker's own grade -----------------------------------------------------
  const place = "ringstock listening: " + $("h1").textContent;
  let notes = [];
  try { notes = JSON.parse(localStorage.getItem(place)) ?? []; } catch { notes = []; }
  if (!Array.isArray(notes)) notes = [];
  const cell = s => /[",\n]/.test(s) ? '"' + s.replaceAll('"', '""') + '"' : s;
  const grades = () => {
    const of = new Map();
    for (const n of notes) {
      for (const k of [0, 1]) {
        const name = n.pair[k], g = of.get(name) ?? { won: 0, of: 0, notes: [] };
        g.of++;
        if (n.choice === k) g.won++;
        const verb = n.choice < 0 ? "no difference from" : n.choice === k ? "preferred to" : "not preferred to";
        g.notes.push(`${verb} ${n.pair[1 - k]}${n.blind ? ", blind" : ""}`);
        of.set(name, g);
      }
    }
    return [...of].sort((a, b) => b[1].won / b[1].of - a[1].won / a[1].of || names(a[0], b[0]))
      .map(([name, g]) => [name, `preferred ${g.won} of ${g.of}`, g.notes.join("; ")]);
  };
  const names = (a, b) => a < b ? -1 : a > b ? 1 : 0;
  let link = "";
  const show = () => {
    const rows = grades();
    $(".notes").hidden = rows.length === 0;
    $(".grades tbody").replaceChildren(...rows.map(r => {
      const tr = document.createElement("tr");
      r.forEach((text, k) => {
        const td = document.createElement(k ? "td" : "th");
        if (!k) td.scope = "row";
        td.textContent = text;
        tr.append(td);
      });
      return tr;
    }));
    const csv = "blank,maker_grade,note\n" + rows.map(r => r.map(cell).join(",") + "\n").join("");
    $("#csv").value = csv;
    if (link) URL.revokeObjectURL(link);
    link = URL.createObjectURL(new Blob([csv], { type: "text/csv" }));
    $("#save").href = link;
  };
  const keep = () => { try { localStorage.setItem(place, JSON.stringify(notes)); } catch { /* a page from disk may not be allowed to */ } };
  for (const button of choices) {
    button.addEventListener("click", () => {
      const choice = Number(button.dataset.choice);
      notes.push({ pair: pair.map(b => b.name), choice, blind: hidden });
      keep();
      const [a, b] = pair.map(b => b.name);
      const was = hidden;
      stop();
      hidden = false; drawn = false;
      veil();
      for (const c of choices) c.disabled = true;
      told.textContent = (was ? `The first was ${a}, the second ${b}. ` : "") +
        (choice < 0 ? `Noted: no difference between ${a} and ${b}.` : `Noted: ${pair[choice].name} preferred to ${pair[1 - choice].name}.`);
      if (was) { first.value = blanks.indexOf(pair[0]); second.value = blanks.indexOf(pair[1]); }
      show();
    });
  }
  $("#forget").addEventListener("click", () => { notes = []; keep(); show(); told.textContent = "Forgotten."; });
  show();
  settle();
})();
