// The explorer: curves of the typical birds and of single birds, by the model of each trait.

/// Groups beyond which one is picked out of lines without separate colours.
const MANY = 12;

const explorer = () => {
  if (data.curves.length === 0) {
    byId("explorer")?.remove();
    return;
  }
  const traits = data.curves;
  const remembered = (() => {
    try { return JSON.parse(sessionStorage.getItem("pinfeather") || "{}"); } catch { return {}; }
  })();
  const known = (name) => traits.find((one) => one.name === name);
  const state = {
    trait: known(remembered.trait) ? remembered.trait : traits[0].name,
    what: remembered.what === "rate" ? "rate" : "value",
    weeks: remembered.weeks ?? data.weeks,
    target: remembered.target !== false,
    hidden: new Set(remembered.hidden || []),
    // Of very many groups one is picked out.
    group: remembered.group || "",
    bird: remembered.bird || "",
    point: -1,
  };
  const keep = () => {
    try {
      sessionStorage.setItem("pinfeather", JSON.stringify({ ...state, hidden: [...state.hidden] }));
    } catch { /* a page without storage forgets what was picked, no more */ }
  };
  const [controls, plot, readout] = ["controls", "plot", "readout"].map(byId);
  let scene = null;
  let targets = [];

  const current = () => known(state.trait) || traits[0];
  const isRate = () => state.what === "rate";
  const isMany = () => current().groups.length > MANY;
  const colour = (group) => {
    if (!isMany()) return `s${group.place % 7}`;
    return group.name === state.group ? "s0" : "plain";
  };
  const shown = () => {
    const { groups } = current();
    if (!isMany()) return groups.filter((group) => !state.hidden.has(group.name));
    // The one that is picked out lies above the others.
    return [...groups].sort((a, b) => (a.name === state.group) - (b.name === state.group));
  };
  const named = (groups) => (isMany() ? groups.filter((group) => group.name === state.group) : groups);
  const birdsNow = () => {
    const { birds, groups } = current();
    const name = (bird) => groups[bird.group].name;
    return birds.filter((bird) => (isMany() ? name(bird) === state.group : !state.hidden.has(name(bird))));
  };
  const of = (bird) => targets.filter((t) => t.bird === bird);
  const lastOf = (bird) => (bird ? of(bird).at(-1) : null);
  const unit = () => {
    const own = current().unit;
    return isRate() ? `${own || "units"}/d` : own;
  };
  const age = (days) => {
    const tenths = Math.round(10 * days);
    const [weeks, rest] = [Math.trunc(tenths / 70), (tenths % 70) / 10];
    if (!state.weeks || (weeks === 0 && rest > 0)) return `${number(days, 4)} d`;
    return rest === 0 ? `${weeks} wk` : `${weeks} wk ${rest} d`;
  };
  const agesOf = (bird) => {
    const [first, last] = bird.span;
    const steps = bird.value.length - 1;
    return bird.value.map((_, i) => first + ((last - first) * i) / steps);
  };

  // ---- controls ----

  const choose = (words, id, options, value, change) => {
    const select = made("select", { id });
    for (const [option, text] of options) {
      const element = made("option", { value: option }, text);
      element.selected = option === value;
      select.append(element);
    }
    select.addEventListener("change", () => { change(select.value); draw(); });
    controls.append(made("label", {}, `${words} `, select));
  };
  const press = (button, is) => button.setAttribute("aria-pressed", String(is));
  const key = (group) => {
    const icon = drawn("svg", { viewBox: "0 0 12 12", class: `key ${colour(group)}`, "aria-hidden": "true" });
    drawn("circle", { class: "m", cx: 6, cy: 6, r: 4.6 }, icon);
    return icon;
  };
  const capital = (words) => words[0].toUpperCase() + words.slice(1);
  const word = data.groups === "strains" ? "Strain" : "Group";
  const buildControls = () => {
    controls.replaceChildren();
    if (traits.length > 1) {
      choose("Trait", "pick-trait", traits.map((one) => [one.name, one.name]), state.trait, (name) => {
        state.trait = name;
        state.point = -1;
        buildControls();
      });
    }
    choose("Show", "pick-what", [["value", current().unit ? "mass" : "value"], ["rate", "gain a day"]], state.what, (what) => { state.what = what; });
    const { groups } = current();
    if (isMany()) {
      const names = groups.map((group) => [group.name, group.name]);
      if (!groups.some((group) => group.name === state.group)) state.group = "";
      choose(word, "pick-group", [["", "none"], ...names], state.group, (name) => {
        state.group = name;
        fillBirds();
      });
    } else if (groups.length > 1) {
      const field = made("fieldset", {}, made("legend", {}, `${word}s`));
      for (const group of groups) {
        const button = made("button", { type: "button" }, key(group), group.name);
        press(button, !state.hidden.has(group.name));
        button.addEventListener("click", () => {
          if (!state.hidden.delete(group.name)) state.hidden.add(group.name);
          press(button, !state.hidden.has(group.name));
          fillBirds();
          draw();
        });
        field.append(button);
      }
      controls.append(field);
    }
    const birds = made("select", { id: "pick-bird" });
    birds.addEventListener("change", () => {
      state.point = -1;
      lift(birds.value);
      announce(lastOf(birds.value));
    });
    controls.append(made("label", {}, `${capital(data.subject)} `, birds));
    const ages = made("fieldset", { class: "segment" }, made("legend", {}, "Age in"));
    for (const [weeks, words] of [[false, "days"], [true, "weeks"]]) {
      const button = made("button", { type: "button", id: `age-${words}` }, words);
      press(button, state.weeks === weeks);
      button.addEventListener("click", () => {
        state.weeks = weeks;
        for (const other of ages.querySelectorAll("button")) press(other, other === button);
        draw();
      });
      ages.append(button);
    }
    controls.append(ages);
    if (groups.some((group) => group.target[0].length > 0)) {
      const box = made("input", { type: "checkbox", id: "pick-target" });
      box.checked = state.target;
      box.addEventListener("change", () => { state.target = box.checked; draw(); });
      controls.append(made("label", {}, box, " target"));
    }
    fillBirds();
  };
  const fillBirds = () => {
    const select = byId("pick-bird");
    const names = birdsNow().map((bird) => bird.name);
    if (!names.includes(state.bird)) state.bird = "";
    select.replaceChildren(made("option", { value: "" }, "none"), ...names.map((name) => made("option", { value: name }, name)));
    select.value = state.bird;
  };

  // ---- the picture ----

  const roundStep = (rough) => {
    const size = 10 ** Math.floor(Math.log10(rough));
    return [1, 2, 5, 10].map((n) => n * size).find((step) => step >= rough) || rough;
  };
  const multiples = (low, high, step) => {
    const list = [];
    for (let n = Math.ceil(low / step - 1e-9); n * step <= high + step * 1e-9; n += 1) list.push(Number((n * step).toPrecision(12)));
    return list;
  };
  const ageTicks = (low, high, most) => {
    const rough = (high - low) / most;
    const steps = high - low > 20 ? [7, 14, 28, 56, 112, 364] : [];
    return multiples(low, high, steps.find((step) => step >= rough) || roundStep(rough));
  };

  const lineTargets = (group, list, curves, limits) => list.map((days, i) => ({
    bird: "", name: group.name, age: days, value: curves[i], lower: limits[0][i], upper: limits[1][i],
  }));

  const draw = () => {
    const one = current();
    const groups = shown();
    const birds = birdsNow();
    const rate = isRate();
    plot.replaceChildren();
    targets = [];
    scene = null;
    readout.textContent = "";
    const curvesOf = (group) => group[state.what];
    const showTarget = state.target && !rate && groups.some((group) => group.target[0].length > 0);
    const ages = groups.flatMap((group) => group.ages);
    const values = [
      ...groups.flatMap((group) => curvesOf(group).flat()),
      ...(rate ? [] : birds.flatMap((bird) => bird.observed[1])),
      ...(showTarget ? groups.flatMap((group) => group.target.slice(1).flat()) : []),
    ].filter((value) => Number.isFinite(value));
    if (values.length === 0) {
      plot.append(made("p", { class: "note" }, "Nothing to show: every group is put away."));
      return;
    }
    const most = (list) => list.reduce((a, b) => Math.max(a, b), -Number.MAX_VALUE);
    const least = (list) => list.reduce((a, b) => Math.min(a, b), Number.MAX_VALUE);
    const longest = Math.min(14, most(groups.map((group) => group.name.length)));
    const width = Math.max(320, plot.clientWidth);
    const height = Math.max(300, Math.min(460, width * 0.46));
    const margin = { left: 58, right: 26 + longest * 7.2, top: 26, bottom: 42 };
    const firstAge = least(ages) < 14 ? Math.min(0, least(ages)) : least(ages);
    const lastAge = most(ages);
    const low = Math.min(0, least(values));
    const high = most(values) * 1.03;
    const x = (days) => margin.left + ((days - firstAge) / (lastAge - firstAge || 1)) * (width - margin.left - margin.right);
    const y = (value) => height - margin.bottom - ((value - low) / (high - low || 1)) * (height - margin.top - margin.bottom);
    const what = capital(one.name);
    const label = `${rate ? `Gain of ${one.name}` : what} by age: ${groups.length} ${data.groups}, ${birds.length} ${data.subject}s`;
    const svg = drawn("svg", { class: "chart", viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": label }, plot);
    const right = width - margin.right;
    for (const tick of multiples(low, high, roundStep((high - low) / (height / 60)))) {
      drawn("path", { class: tick === 0 ? "g0" : "g", d: `M${margin.left} ${y(tick)}H${right}` }, svg);
      drawn("text", { class: "e", x: margin.left - 8, y: y(tick) + 4.5 }, svg).textContent = number(tick, 6);
    }
    for (const tick of ageTicks(firstAge, lastAge, (right - margin.left) / 52)) {
      drawn("text", { class: "c", x: x(tick), y: height - margin.bottom + 19 }, svg).textContent = number(state.weeks ? tick / 7 : tick, 4);
    }
    drawn("text", { class: "c", x: (margin.left + right) / 2, y: height - 4 }, svg).textContent = state.weeks ? "Age (weeks)" : "Age (d)";
    drawn("text", { x: 0, y: 13 }, svg).textContent = `${rate ? `Gain of ${one.name}` : what}${unit() ? ` (${unit()})` : ""}`;
    const path = (list) => list.map((p, i) => `${i ? "L" : "M"}${x(p[0]).toFixed(1)} ${y(p[1]).toFixed(1)}`).join("");
    const pairs = (list, other) => list.map((days, i) => [days, other[i]]).filter((p) => Number.isFinite(p[1]));

    if (showTarget) {
      for (const group of named(groups)) {
        const [days, target, lower, upper] = group.target;
        const edge = (list) => pairs(days, list);
        if (named(groups).length <= 3 && edge(lower).length > 1) {
          drawn("path", { class: "b", d: `${path([...edge(lower), ...edge(upper).reverse()])}Z` }, svg);
        }
        if (days.length > 1) {
          drawn("path", { class: `l target ${colour(group)}`, d: path(edge(target)) }, svg);
        }
      }
    }
    const faint = drawn("g", { class: "birds" }, svg);
    for (const bird of birds) {
      const group = one.groups[bird.group];
      const list = rate ? pairs(agesOf(bird), bird.rate) : pairs(...bird.observed);
      drawn("path", { class: `l ${colour(group)}`, d: path(list) }, faint);
      for (const [days, value] of list) targets.push({ bird: bird.name, name: group.name, age: days, value });
    }
    for (const group of groups) {
      const [value, lower, upper] = curvesOf(group);
      const band = [...pairs(group.ages, lower), ...pairs(group.ages, upper).reverse()];
      if (band.length > 3 && named([group]).length > 0) drawn("path", { class: `a ${colour(group)}`, d: `${path(band)}Z` }, svg);
    }
    const ends = [];
    for (const group of groups) {
      const [value, lower, upper] = curvesOf(group);
      const list = pairs(group.ages, value);
      if (list.length === 0) continue;
      drawn("path", { class: `curve l ${colour(group)}${one.weak ? " weak" : ""}`, "data-group": group.name, d: path(list) }, svg);
      targets.push(...lineTargets(group, group.ages, value, [lower, upper]));
      if (named([group]).length > 0) ends.push({ group, y: y(list[list.length - 1][1]) });
    }
    nameEnds(svg, ends, right, [margin.top, height - margin.bottom], one.weak);
    targets = targets.filter((t) => Number.isFinite(t.value)).map((t) => ({ ...t, x: x(t.age), y: y(t.value) }));
    scene = { lifted: drawn("g", { class: "lifted" }, svg), tip: made("div", { class: "tip", hidden: "" }), path, pairs, width };
    plot.append(scene.tip);
    notes(one, birds);
    lift(state.bird);
    announce(lastOf(state.bird));
  };

  /// The names of the groups at the ends of their curves, without one covering another.
  const nameEnds = (svg, ends, right, [top, bottom], weak) => {
    ends.sort((a, b) => a.y - b.y);
    let above = top - 17;
    for (const end of ends) above = end.y = Math.max(end.y, above + 17);
    let below = bottom + 17;
    for (const end of [...ends].reverse()) below = end.y = Math.min(end.y, below - 17);
    for (const { group, y } of ends) {
      const name = group.name.length > 14 ? `${group.name.slice(0, 13)}\u2026` : group.name;
      drawn("circle", { class: `m ${colour(group)}`, cx: right + 9, cy: y, r: 4 }, drawn("g", { class: colour(group) }, svg));
      drawn("text", { class: "i", x: right + 17, y: y + 4.5 }, svg).textContent = weak ? `${name} (weak)` : name;
    }
  };

  const notes = (one, birds) => {
    const words = [`Lines: typical ${data.subject}s by the ${one.curve} model${one.weak ? " (dashed: weak, not supported by the data in all terms)" : ""}; shaded: confidence band.`];
    if (state.target && !isRate() && one.groups.some((group) => group.target[0].length > 0)) words.push("Dotted: targets.");
    if (birds.length > 0) words.push(isRate() ? `Thin: single ${data.subject}s by the model.` : `Thin: single ${data.subject}s as observed.`);
    if (one.birds.length < one.all) words.push(`The page holds ${one.birds.length} of ${one.all} ${data.subject}s, taken evenly through the study.`);
    const note = made("p", { class: "note" }, words.join(" "));
    plot.append(note);
  };

  // ---- reading values ----

  const sentence = (target) => {
    const who = target.bird ? `${capital(data.subject)} ${target.bird} (${target.name})` : target.name;
    const limits = Number.isFinite(target.lower) && Number.isFinite(target.upper)
      ? ` (${number(target.lower)} to ${number(target.upper)})` : "";
    return `${who}, ${age(target.age)}: ${number(target.value)} ${unit()}${limits}`.trimEnd();
  };
  const lift = (name) => {
    state.bird = name;
    const select = byId("pick-bird");
    if (select.value !== name) select.value = name;
    keep();
    if (!scene) return;
    scene.lifted.replaceChildren();
    const bird = current().birds.find((one) => one.name === name);
    const mine = of(name);
    if (!bird || !name || mine.length === 0) return;
    const group = current().groups[bird.group];
    const along = mine.map((t, i) => `${i ? "L" : "M"}${t.x.toFixed(1)} ${t.y.toFixed(1)}`).join("");
    drawn("path", { class: "halo", d: along }, scene.lifted);
    const fit = scene.pairs(agesOf(bird), bird[state.what]);
    drawn("path", { class: "fit", d: fit.length > 1 ? scene.path(fit) : along }, scene.lifted);
    if (!isRate()) {
      for (const t of mine) drawn("circle", { class: `m ${colour(group)}`, cx: t.x, cy: t.y, r: 3.4 }, scene.lifted);
    }
  };
  const announce = (target) => {
    readout.textContent = target ? sentence(target) : "";
    if (!scene) return;
    scene.tip.hidden = !target;
    if (!target) return;
    scene.tip.textContent = sentence(target);
    const left = target.x > scene.width * 0.55 ? target.x - scene.tip.offsetWidth - 10 : target.x + 10;
    scene.tip.style.left = `${Math.max(0, left)}px`;
    scene.tip.style.top = `${Math.max(0, target.y - 34)}px`;
  };
  plot.addEventListener("pointermove", (event) => {
    if (!scene) return;
    const box = plot.querySelector("svg").getBoundingClientRect();
    const scale = scene.width / box.width;
    const [px, py] = [(event.clientX - box.left) * scale, (event.clientY - box.top) * scale];
    let nearest = null;
    let least = 28 * 28;
    for (const t of targets) {
      const distance = (t.x - px) ** 2 + (t.y - py) ** 2;
      if (distance < least) { least = distance; nearest = t; }
    }
    if (nearest && nearest.bird && nearest.bird !== state.bird) lift(nearest.bird);
    announce(nearest);
  });
  plot.addEventListener("pointerleave", () => announce(lastOf(state.bird)));
  plot.addEventListener("keydown", (event) => {
    if (!scene) return;
    const names = birdsNow().map((bird) => bird.name);
    const step = { ArrowUp: -1, ArrowDown: 1 }[event.key];
    const move = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (event.key === "Escape") {
      state.point = -1;
      lift("");
      announce(null);
    } else if (step && names.length > 0) {
      const at = names.indexOf(state.bird);
      lift(names[(at + step + names.length + (at < 0 && step < 0 ? 1 : 0)) % names.length]);
      state.point = 0;
      announce(of(state.bird)[0] || null);
    } else if (move) {
      const mine = of(state.bird);
      if (mine.length > 0) {
        state.point = Math.min(mine.length - 1, Math.max(0, state.point + move));
        announce(mine[state.point]);
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
