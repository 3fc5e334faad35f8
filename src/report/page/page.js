"use strict";
// The page's own hands: the explorer of curves and the tables. Every word from the
// data goes in as text, never as markup.
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const byId = (id) => document.getElementById(id);
  const SVG = "http://www.w3.org/2000/svg";

  // ---- tables as they came: columns of numbers, or of words and which ----

  const spread = (list) => {
    if (Array.isArray(list)) return list;
    const all = [];
    for (let i = 0; i < list.runs.length; i += 2) {
      for (let n = 0; n < list.runs[i + 1]; n += 1) all.push(list.runs[i]);
    }
    return all;
  };
  const tables = new Map();
  for (const table of data.tables) {
    for (const column of table.columns) {
      const cells = spread(column.words ? column.which : column.values);
      column.isNumber = !column.words;
      column.at = column.words
        ? (row) => (cells[row] < 0 ? "" : column.words[cells[row]])
        : (row) => cells[row];
    }
    tables.set(table.name, table);
  }
  const reader = (name) => {
    const table = tables.get(name);
    if (!table) return null;
    const columns = new Map(table.columns.map((column) => [column.name, column.at]));
    const none = () => "";
    return { rows: table.rows, of: (column) => columns.get(column) || none };
  };
  const number = (value, digits = 4) => {
    if (value === null || value === undefined || value === "") return "";
    const size = Math.abs(value);
    if (size >= 1000) return value.toFixed(0);
    return String(Number(value.toPrecision(digits)));
  };

  // ---- helpers that make elements ----

  const made = (tag, attributes = {}, ...inside) => {
    const element = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    element.append(...inside);
    return element;
  };
  const drawn = (tag, attributes, parent) => {
    const element = document.createElementNS(SVG, tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    if (parent) parent.append(element);
    return element;
  };

  // ---- the explorer ----

  const looks = new Map(data.strains.map((strain) => [strain.name, strain]));
  const look = (strain) => looks.get(strain) || { colour: "#000000", dash: "" };

  const gather = () => {
    const curves = reader("curves");
    if (!curves || curves.rows === 0) return null;
    const best = new Map();
    const choice = reader("curve_choice");
    if (choice) {
      const [level, strain, bird, trait] = ["level", "strain", "bird", "trait"].map(choice.of);
      const [rank, curve] = [choice.of("rank"), choice.of("curve")];
      for (let row = 0; row < choice.rows; row += 1) {
        if (rank(row) === 1) {
          best.set([level(row), strain(row), bird(row), trait(row)].join("\u0000"), curve(row));
        }
      }
    }
    const subjects = new Map();
    const [level, strain, bird, trait, curve] = ["level", "strain", "bird", "trait", "curve"].map(curves.of);
    const columns = ["age_d", "fitted", "lower", "upper", "rate", "rate_lower", "rate_upper"].map(curves.of);
    for (let row = 0; row < curves.rows; row += 1) {
      const who = [level(row), strain(row), bird(row), trait(row)];
      const key = [...who, curve(row)].join("\u0000");
      if (!subjects.has(key)) {
        subjects.set(key, {
          level: who[0], strain: who[1], bird: who[2], trait: who[3], curve: curve(row),
          isBest: (best.get(who.join("\u0000")) || curve(row)) === curve(row), points: [],
        });
      }
      const [age, value, lower, upper, rate, rateLower, rateUpper] = columns.map((at) => at(row));
      subjects.get(key).points.push({ age, value, lower, upper, rate, rateLower, rateUpper });
    }
    const observed = new Map();
    const residuals = reader("residuals");
    if (residuals) {
      const [ofBird, ofStrain, ofTrait] = ["bird", "strain", "trait"].map(residuals.of);
      const [age, value] = ["age_d", "observed"].map(residuals.of);
      const seen = new Set();
      for (let row = 0; row < residuals.rows; row += 1) {
        const key = `${ofTrait(row)}\u0000${ofBird(row)}`;
        const once = `${key}\u0000${age(row)}`;
        if (seen.has(once) || !ofBird(row)) continue;
        seen.add(once);
        if (!observed.has(key)) {
          observed.set(key, { trait: ofTrait(row), bird: ofBird(row), strain: ofStrain(row), points: [] });
        }
        observed.get(key).points.push({ age: age(row), value: value(row) });
      }
      for (const of of observed.values()) of.points.sort((a, b) => a.age - b.age);
    }
    return { subjects: [...subjects.values()], observed: [...observed.values()] };
  };

  const explorer = () => {
    const all = gather();
    if (!all) {
      byId("explorer").hidden = true;
      return;
    }
    const distinct = (list) => [...new Set(list)];
    const traits = distinct(all.subjects.map((subject) => subject.trait));
    const levels = distinct(all.subjects.filter((s) => !s.bird).map((s) => s.level));
    const kept = JSON.parse(sessionStorage.getItem("pinfeather") || "{}");
    const state = {
      trait: traits.includes(kept.trait) ? kept.trait : traits[0],
      curve: kept.curve || "", what: kept.what || "value",
      level: levels.includes(kept.level) ? kept.level : levels[0] || "",
      hidden: new Set(kept.hidden || []), bird: kept.bird || "", point: -1,
    };
    const keep = () => {
      try {
        sessionStorage.setItem("pinfeather", JSON.stringify({ ...state, hidden: [...state.hidden] }));
      } catch { /* a page without storage forgets what was picked, no more */ }
    };
    const controls = byId("controls");
    const plot = byId("plot");
    const told = byId("told");
    let targets = [];
    let scene = null;

    const choose = (words, id, options, value, change) => {
      const select = made("select", { id });
      for (const [option, text] of options) {
        const element = made("option", { value: option }, text);
        element.selected = option === value;
        select.append(element);
      }
      select.addEventListener("change", () => { change(select.value); draw(); });
      controls.append(made("label", {}, `${words} `, select));
      return select;
    };
    const birdsNow = () => all.observed
      .filter((of) => of.trait === state.trait && !state.hidden.has(of.strain));

    const buildControls = () => {
      controls.replaceChildren();
      if (traits.length > 1) {
        choose("Trait", "pick-trait", traits.map((t) => [t, t.replaceAll("_", " ")]), state.trait, (trait) => {
          state.trait = trait;
          state.point = -1;
          buildControls();
        });
      }
      const curves = distinct(all.subjects.filter((s) => s.trait === state.trait).map((s) => s.curve));
      if (!curves.includes(state.curve)) state.curve = "";
      choose("Curve", "pick-curve", [["", "the best of each"], ...curves.map((c) => [c, c])], state.curve, (curve) => { state.curve = curve; });
      if (levels.length > 1) {
        choose("Level", "pick-level", levels.map((l) => [l, l]), state.level, (level) => { state.level = level; });
      }
      choose("Show", "pick-what", [["value", "mass"], ["rate", "gain a day"]], state.what, (what) => { state.what = what; });
      const strains = distinct(all.subjects.map((subject) => subject.strain)).filter((strain) => strain);
      const group = made("fieldset", {}, made("legend", {}, strains.length > 1 ? "Strains" : "Strain"));
      for (const strain of strains) {
        const icon = drawn("svg", { viewBox: "0 0 38 10", "aria-hidden": "true" });
        drawn("line", { x1: 0, y1: 5, x2: 38, y2: 5, stroke: look(strain).colour, "stroke-width": 3, "stroke-dasharray": look(strain).dash }, icon);
        const button = made("button", { type: "button", "aria-pressed": String(!state.hidden.has(strain)) }, icon, strain);
        button.addEventListener("click", () => {
          if (!state.hidden.delete(strain)) state.hidden.add(strain);
          button.setAttribute("aria-pressed", String(!state.hidden.has(strain)));
          fillBirds();
          draw();
        });
        group.append(button);
      }
      controls.append(group);
      const birds = made("select", { id: "pick-bird" });
      birds.addEventListener("change", () => { lift(birds.value); });
      controls.append(made("label", {}, "Bird ", birds));
      fillBirds();
    };
    const fillBirds = () => {
      const select = byId("pick-bird");
      const names = birdsNow().map((of) => of.bird);
      if (!names.includes(state.bird)) state.bird = "";
      select.replaceChildren(made("option", { value: "" }, "none"), ...names.map((name) => made("option", { value: name }, name)));
      select.value = state.bird;
    };

    const ticks = (low, high, count) => {
      const rough = (high - low) / count;
      const size = 10 ** Math.floor(Math.log10(rough));
      const step = [1, 2, 5, 10].map((n) => n * size).find((s) => s >= rough) || rough;
      const list = [];
      for (let tick = Math.ceil(low / step) * step; tick <= high + step * 1e-9; tick += step) list.push(Number(tick.toPrecision(12)));
      return list;
    };
    const weeks = (last, width) => {
      const most = Math.max(2, Math.floor(width / 55));
      const step = [7, 14, 28, 56, 112].find((s) => last / s <= most) || Math.ceil(last / most);
      const list = [];
      for (let tick = 0; tick <= last; tick += step) list.push(tick);
      return list;
    };

    const draw = () => {
      const rate = state.what === "rate";
      const pick = (p) => (rate ? p.rate : p.value);
      const fits = (subject) => subject.trait === state.trait && !state.hidden.has(subject.strain)
        && (state.curve ? subject.curve === state.curve : subject.isBest);
      const lines = all.subjects.filter((s) => fits(s) && !s.bird && s.level === state.level);
      const birdCurves = all.subjects.filter((s) => fits(s) && s.bird && (s.level === "bird" || !levels.includes("strain")));
      const birds = birdsNow();
      const points = rate ? [] : birds.flatMap((of) => of.points);
      const both = [...lines, ...(rate ? birdCurves : [])].flatMap((s) => s.points);
      const ages = [...points, ...both].map((p) => p.age);
      const values = [...points.map((p) => p.value), ...both.map(pick)].filter(Number.isFinite);
      plot.replaceChildren();
      targets = [];
      if (values.length === 0) {
        plot.append(made("p", { class: "hint" }, "Nothing to show: every strain is put away, or no curve fits."));
        scene = null;
        told.textContent = "";
        return;
      }
      const width = Math.max(320, plot.clientWidth);
      const height = Math.max(300, Math.min(560, width * 0.52));
      const margin = { left: 62, right: 14, top: 12, bottom: 44 };
      const ageSpan = [Math.min(0, ...ages.slice(0, 1)), ages.reduce((a, b) => Math.max(a, b), 1)];
      const top = values.reduce((a, b) => Math.max(a, b), 0) * 1.04;
      const low = Math.min(0, values.reduce((a, b) => Math.min(a, b), 0));
      const x = (age) => margin.left + ((age - ageSpan[0]) / (ageSpan[1] - ageSpan[0])) * (width - margin.left - margin.right);
      const y = (value) => height - margin.bottom - ((value - low) / (top - low || 1)) * (height - margin.top - margin.bottom);
      const svg = drawn("svg", { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": `${state.trait.replaceAll("_", " ")} by age; ${birds.length} birds` }, plot);
      const axes = drawn("g", { stroke: "#262626", "stroke-width": 1 }, svg);
      const words = drawn("g", {}, svg);
      for (const tick of weeks(ageSpan[1], width)) {
        drawn("line", { x1: x(tick), x2: x(tick), y1: height - margin.bottom, y2: height - margin.bottom + 5 }, axes);
        drawn("text", { x: x(tick), y: height - margin.bottom + 19, "text-anchor": "middle" }, words).textContent = String(tick);
      }
      for (const tick of ticks(low, top, 6)) {
        drawn("line", { x1: margin.left - 5, x2: margin.left, y1: y(tick), y2: y(tick) }, axes);
        drawn("text", { x: margin.left - 9, y: y(tick) + 4, "text-anchor": "end" }, words).textContent = String(tick);
      }
      drawn("line", { x1: margin.left, x2: width - margin.right, y1: height - margin.bottom, y2: height - margin.bottom }, axes);
      drawn("line", { x1: margin.left, x2: margin.left, y1: margin.top, y2: height - margin.bottom }, axes);
      drawn("text", { x: (margin.left + width - margin.right) / 2, y: height - 6, "text-anchor": "middle" }, words).textContent = "Age (days)";
      const yTitle = state.trait.replaceAll("_", " ");
      drawn("text", { transform: `translate(15 ${(height - margin.bottom) / 2}) rotate(-90)`, "text-anchor": "middle" }, words)
        .textContent = rate ? `Gain of ${yTitle} (g a day)` : `${yTitle[0].toUpperCase()}${yTitle.slice(1)} (g)`;
      const path = (list) => list.map((p, i) => `${i ? "L" : "M"}${x(p[0]).toFixed(1)} ${y(p[1]).toFixed(1)}`).join("");
      const faint = drawn("g", { class: "birds", fill: "none", "stroke-width": 0.8, "stroke-opacity": birds.length > 60 ? 0.22 : 0.35 }, svg);
      if (rate) {
        for (const s of birdCurves) {
          const list = s.points.filter((p) => Number.isFinite(p.rate)).map((p) => [p.age, p.rate]);
          drawn("path", { d: path(list), stroke: look(s.strain).colour }, faint);
          for (const p of s.points) targets.push({ bird: s.bird, strain: s.strain, age: p.age, value: p.rate, x: x(p.age), y: y(p.rate), curve: s.curve });
        }
      } else {
        for (const of of birds) {
          drawn("path", { d: path(of.points.map((p) => [p.age, p.value])), stroke: look(of.strain).colour }, faint);
          for (const p of of.points) targets.push({ bird: of.bird, strain: of.strain, age: p.age, value: p.value, x: x(p.age), y: y(p.value) });
        }
      }
      for (const s of lines) {
        const [lower, upper] = rate ? ["rateLower", "rateUpper"] : ["lower", "upper"];
        const band = s.points.filter((p) => Number.isFinite(p[lower]) && Number.isFinite(p[upper]));
        if (band.length > 1) {
          drawn("path", { class: "band", d: `${path([...band.map((p) => [p.age, p[lower]]), ...band.reverse().map((p) => [p.age, p[upper]])])}Z`, fill: look(s.strain).colour, "fill-opacity": 0.2 }, svg);
          band.reverse();
        }
        const list = s.points.filter((p) => Number.isFinite(pick(p))).map((p) => [p.age, pick(p)]);
        drawn("path", { class: "curve", "data-strain": s.strain, d: path(list), fill: "none", stroke: look(s.strain).colour, "stroke-width": 2.4, "stroke-dasharray": look(s.strain).dash }, svg);
        for (const p of s.points) targets.push({ bird: "", strain: s.strain, age: p.age, value: pick(p), lower: p[lower], upper: p[upper], x: x(p.age), y: y(pick(p)), curve: s.curve });
      }
      targets = targets.filter((t) => Number.isFinite(t.y));
      scene = { lifted: drawn("g", { class: "lifted" }, svg), tip: made("div", { class: "tip", hidden: "" }), path, x, y, rate, birdCurves, width };
      plot.append(scene.tip);
      lift(state.bird);
      keep();
    };

    const unit = () => (scene && scene.rate ? "g a day" : "g");
    const sentence = (target) => {
      const who = target.bird ? `Bird ${target.bird} (${target.strain})` : target.strain;
      const band = Number.isFinite(target.lower) && Number.isFinite(target.upper)
        ? ` (${number(target.lower)} to ${number(target.upper)})` : "";
      const by = target.curve ? ` by ${target.curve}` : "";
      return `${who}, ${number(target.age)} d: ${number(target.value)} ${unit()}${band}${by}`;
    };
    const lift = (bird) => {
      state.bird = bird;
      const select = byId("pick-bird");
      if (select && select.value !== bird) select.value = bird;
      if (!scene) return;
      scene.lifted.replaceChildren();
      const mine = targets.filter((t) => t.bird === bird && bird);
      if (mine.length === 0) { keep(); return; }
      const colour = look(mine[0].strain).colour;
      drawn("path", { d: mine.map((t, i) => `${i ? "L" : "M"}${t.x.toFixed(1)} ${t.y.toFixed(1)}`).join(""), fill: "none", stroke: "#fff", "stroke-width": 4.5 }, scene.lifted);
      const fit = scene.birdCurves.find((s) => s.bird === bird);
      if (fit && !scene.rate) {
        const list = fit.points.filter((p) => Number.isFinite(p.value)).map((p) => [p.age, p.value]);
        drawn("path", { class: "fit", d: scene.path(list), fill: "none", stroke: "#000", "stroke-width": 1.4 }, scene.lifted);
      } else {
        drawn("path", { d: mine.map((t, i) => `${i ? "L" : "M"}${t.x.toFixed(1)} ${t.y.toFixed(1)}`).join(""), fill: "none", stroke: colour, "stroke-width": 2 }, scene.lifted);
      }
      if (!scene.rate) {
        for (const t of mine) drawn("circle", { cx: t.x, cy: t.y, r: 3.2, fill: colour, stroke: "#fff", "stroke-width": 0.8 }, scene.lifted);
      }
      keep();
    };
    const tell = (target) => {
      told.textContent = target ? sentence(target) : "";
      scene.tip.hidden = !target;
      if (!target) return;
      scene.tip.textContent = sentence(target);
      const left = target.x > scene.width * 0.6 ? target.x - scene.tip.offsetWidth - 10 : target.x + 10;
      scene.tip.style.left = `${Math.max(0, left)}px`;
      scene.tip.style.top = `${Math.max(0, target.y - 34)}px`;
    };
    plot.addEventListener("pointermove", (event) => {
      if (!scene) return;
      const box = plot.querySelector("svg").getBoundingClientRect();
      const [px, py] = [(event.clientX - box.left) * (scene.width / box.width), (event.clientY - box.top) * (scene.width / box.width)];
      let nearest = null;
      let least = 28 * 28;
      for (const t of targets) {
        const distance = (t.x - px) ** 2 + (t.y - py) ** 2;
        if (distance < least) { least = distance; nearest = t; }
      }
      tell(nearest);
      if (nearest && nearest.bird && nearest.bird !== state.bird) lift(nearest.bird);
    });
    plot.addEventListener("pointerleave", () => { if (scene) tell(null); });
    plot.addEventListener("keydown", (event) => {
      if (!scene) return;
      const names = birdsNow().map((of) => of.bird);
      const step = { ArrowUp: -1, ArrowDown: 1 }[event.key];
      const move = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
      if (event.key === "Escape") {
        state.point = -1;
        lift("");
        tell(null);
      } else if (step && names.length > 0) {
        const at = names.indexOf(state.bird);
        lift(names[(at + step + names.length + (at < 0 && step < 0 ? 1 : 0)) % names.length]);
        state.point = 0;
        tell(targets.find((t) => t.bird === state.bird) || null);
      } else if (move) {
        const mine = state.bird ? targets.filter((t) => t.bird === state.bird) : targets.filter((t) => !t.bird);
        if (mine.length > 0) {
          state.point = Math.min(mine.length - 1, Math.max(0, state.point + move));
          tell(mine[state.point]);
        }
      } else {
        return;
      }
      event.preventDefault();
    });
    let waiting = 0;
    addEventListener("resize", () => {
      clearTimeout(waiting);
      waiting = setTimeout(draw, 120);
    });
    buildControls();
    draw();
  };

  // ---- the tables ----

  const quoted = (cell) => {
    const words = /^[=+\-@\t\r]/.test(cell) ? `'${cell}` : cell;
    return /[",\n\r]/.test(words) ? `"${words.replaceAll('"', '""')}"` : words;
  };
  const csv = (table, rows) => {
    const cell = (column, row) => {
      const value = column.at(row);
      if (value === null || value === undefined) return "";
      return column.isNumber ? String(value) : quoted(value);
    };
    const lines = [table.columns.map((column) => column.name).join(",")];
    for (const row of rows) lines.push(table.columns.map((column) => cell(column, row)).join(","));
    return `${lines.join("\n")}\n`;
  };
  const download = (table, rows) => {
    const address = URL.createObjectURL(new Blob([csv(table, rows)], { type: "text/csv" }));
    const link = made("a", { href: address, download: `${table.name}.csv` });
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(address), 10000);
  };
  const everyRow = (table) => Array.from({ length: table.rows }, (_, row) => row);

  const tableView = () => {
    if (tables.size === 0) {
      byId("tables").hidden = true;
      return;
    }
    const PAGE = 100;
    const select = byId("table-name");
    const filter = byId("table-filter");
    const place = byId("table");
    const more = byId("table-more");
    const note = byId("table-note");
    const state = { table: null, rows: [], shown: PAGE, sort: -1, down: false };
    for (const name of tables.keys()) select.append(made("option", { value: name }, name));

    const order = () => {
      const { table } = state;
      const words = filter.value.trim().toLowerCase().split(/\s+/).filter(Boolean);
      const text = (row) => table.columns.map((column) => String(column.at(row) ?? "")).join("\u0001").toLowerCase();
      state.rows = everyRow(table).filter((row) => {
        if (words.length === 0) return true;
        const cells = text(row);
        return words.every((word) => cells.includes(word));
      });
      if (state.sort >= 0) {
        const column = table.columns[state.sort];
        const missing = (value) => value === "" || value === null || value === undefined;
        state.rows.sort((a, b) => {
          const [first, second] = [column.at(a), column.at(b)];
          if (missing(first) || missing(second)) return missing(first) - missing(second) || a - b;
          const ascending = column.isNumber ? first - second : first.localeCompare(second, "en", { numeric: true });
          return (state.down ? -ascending : ascending) || a - b;
        });
      }
    };
    const body = () => {
      const rows = made("tbody");
      for (const row of state.rows.slice(0, state.shown)) {
        const line = made("tr");
        for (const column of state.table.columns) {
          const value = column.at(row);
          line.append(column.isNumber ? made("td", { class: "number" }, value === null ? "" : String(value)) : made("td", {}, value));
        }
        rows.append(line);
      }
      return rows;
    };
    const draw = () => {
      const head = made("tr");
      state.table.columns.forEach((column, index) => {
        const sorted = index === state.sort;
        const mark = sorted ? (state.down ? " ▼" : " ▲") : "";
        const button = made("button", { type: "button" }, column.name + mark);
        button.addEventListener("click", () => {
          state.down = sorted ? !state.down : false;
          state.sort = index;
          order();
          draw();
          place.querySelectorAll("th button")[index].focus();
        });
        head.append(made("th", { scope: "col", "aria-sort": sorted ? (state.down ? "descending" : "ascending") : "none" }, button));
      });
      place.replaceChildren(made("table", {}, made("thead", {}, head), body()));
      const seen = Math.min(state.shown, state.rows.length);
      const part = state.table.rows < state.table.all
        ? ` The page holds ${state.table.rows} of ${state.table.all} rows (of single birds, those of the best curve); the file tables/${state.table.name}.csv holds all.` : "";
      const without = state.table.leftOut.length
        ? ` The page leaves out ${state.table.leftOut.join(", ")}; tables/${state.table.name}.csv has them.` : "";
      note.textContent = `${seen} of ${state.rows.length} rows shown, numbers to five digits.${part}${without}`;
      more.disabled = seen >= state.rows.length;
    };
    const open = (name) => {
      Object.assign(state, { table: tables.get(name), shown: PAGE, sort: -1, down: false });
      select.value = name;
      order();
      draw();
    };
    select.addEventListener("change", () => { filter.value = ""; open(select.value); });
    filter.addEventListener("input", () => { state.shown = PAGE; order(); draw(); });
    more.addEventListener("click", () => { state.shown += PAGE; draw(); });
    byId("table-csv").addEventListener("click", () => download(state.table, state.rows));
    for (const button of document.querySelectorAll("button.csv")) {
      const table = tables.get(button.dataset.table);
      if (table) button.addEventListener("click", () => download(table, everyRow(table)));
      else button.remove();
    }
    open(select.options[0].value);
  };

  // ---- the live page asks whether the study has changed ----

  const watch = () => {
    const made = byId("made");
    made.textContent = new Date(made.dateTime).toLocaleString();
    const mine = byId("news").dataset.version;
    const live = byId("live");
    const say = (words) => { if (live.textContent !== words) live.textContent = words; };
    const ask = async () => {
      try {
        const answer = await fetch(data.watch, { cache: "no-store" });
        if (answer.ok && (await answer.text()) !== mine) location.reload();
        else say(answer.ok ? "; this page follows the study." : "; this page no longer follows the study.");
      } catch {
        say("; the program has ended, and this page no longer follows the study.");
      }
      setTimeout(ask, 1000);
    };
    ask();
  };

  explorer();
  tableView();
  if (data.watch) watch();
})();
