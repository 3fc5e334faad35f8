// Works the page as a reader would and writes down what it found.
(() => {
  const findings = { errors: window.pageErrors };
  const byId = (id) => document.getElementById(id);
  const picked = (select, value) => {
    select.value = value;
    select.dispatchEvent(new Event("change", { bubbles: true }));
  };
  const picture = () => byId("plot").innerHTML;
  const curves = () => byId("plot").querySelectorAll("path.curve").length;
  const key = (name) => byId("plot").dispatchEvent(new KeyboardEvent("keydown", { key: name, bubbles: true, cancelable: true }));
  try {
    findings.curves = curves();
    findings.birds = byId("plot").querySelectorAll("g.birds path").length;

    // Controls change the picture.
    const before = picture();
    picked(byId("pick-what"), "rate");
    findings.rateChanges = picture() !== before;
    picked(byId("pick-what"), "value");
    const strain = byId("controls").querySelector("fieldset button");
    strain.click();
    findings.strainPutAway = curves();
    findings.pressed = strain.getAttribute("aria-pressed");
    strain.click();
    findings.strainBack = curves();

    // Ages in weeks, and the target put away.
    byId("age-weeks").click();
    findings.weeks = byId("plot").textContent.includes("Age (weeks)");
    byId("age-days").click();
    findings.days = byId("plot").textContent.includes("Age (d)");
    const targets = () => byId("plot").querySelectorAll("path.target").length;
    const target = byId("pick-target");
    findings.targets = targets();
    if (target) target.click();
    findings.targetsPutAway = targets();
    if (target) target.click();

    // A bird is lifted out, and its last value is read.
    const birds = byId("pick-bird");
    findings.birdNames = [...birds.options].map((option) => option.textContent).slice(0, 4);
    picked(birds, birds.options[1].value);
    findings.lifted = byId("plot").querySelectorAll("g.lifted path").length;

    findings.readout = byId("readout").textContent.startsWith(`Bird ${birds.options[1].value} (`);

    // A pointer reads values.
    const circle = byId("plot").querySelector("g.lifted circle");
    const box = circle.getBoundingClientRect();
    byId("plot").dispatchEvent(new PointerEvent("pointermove", {
      clientX: box.left + box.width / 2, clientY: box.top + box.height / 2, bubbles: true,
    }));
    findings.hover = byId("readout").textContent;
    findings.tip = byId("plot").querySelector(".tip").hidden === false;

    // The keyboard goes through birds and ages, and lets go.
    byId("plot").focus();
    findings.focus = document.activeElement === byId("plot");
    key("ArrowDown");
    const first = byId("readout").textContent;
    key("ArrowRight");
    const second = byId("readout").textContent;
    findings.keyboard = first !== second && second.length > 0;
    key("Escape");
    findings.letGo = byId("readout").textContent === "" && byId("plot").querySelectorAll("g.lifted path").length === 0;

    // Tables sort, filter, and offer their rows.
    const names = [...byId("table-name").options].map((option) => option.value);
    findings.tables = names;
    picked(byId("table-name"), "curve_terms");
    const cells = () => [...byId("table").querySelectorAll("tbody tr")].map((row) => row.children[6].textContent);
    byId("table").querySelectorAll("th button")[6].click();
    const up = cells().map(Number);
    findings.sorted = up.every((value, index) => index === 0 || up[index - 1] <= value);
    byId("table-filter").value = "inflection_age";
    byId("table-filter").dispatchEvent(new Event("input", { bubbles: true }));
    findings.filtered = [...byId("table").querySelectorAll("tbody tr")].every((row) => row.textContent.includes("inflection_age"));
    findings.note = byId("table-note").textContent;
    let offered = null;
    const click = HTMLAnchorElement.prototype.click;
    HTMLAnchorElement.prototype.click = function click() { offered = this.download; };
    byId("table-csv").click();
    findings.download = offered;
    const beside = document.querySelector("figure button.csv");
    beside.click();
    findings.besideFigure = offered;
    HTMLAnchorElement.prototype.click = click;

    // Every picture has words, every control a name.
    findings.pictures = [...document.querySelectorAll("main svg[role=img], main img")].map((picture) => (picture.getAttribute("alt") || picture.getAttribute("aria-label") || "").length);
    // What is folded away shows in no other place: each sentence of the first screen once.
    const leads = [...document.querySelectorAll("#overview .card > .lead, #overview .card > h2")].map((one) => one.textContent);
    findings.cards = leads;
    findings.sections = [...document.querySelectorAll("section.topic")].map((one) => one.id);
    findings.navigation = [...document.querySelectorAll("nav a")].map((one) => one.hash.slice(1));
    findings.open = document.querySelectorAll("main details[open]").length;
    findings.unnamed = [...document.querySelectorAll("button, select, input")]
      .filter((control) => !(control.textContent.trim() || control.labels?.length || control.getAttribute("aria-label"))).length;
    findings.scripts = document.querySelectorAll("script").length;
    findings.heading = document.querySelector("h1").textContent;
    findings.wide = document.documentElement.scrollWidth <= document.documentElement.clientWidth;
  } catch (error) {
    findings.errors.push(String(error.stack || error));
  }
  const report = document.createElement("pre");
  report.id = "findings";
  report.textContent = btoa(unescape(encodeURIComponent(JSON.stringify(findings))));
  document.body.append(report);
})();
