// The navigation, the live page, and the beginning of everything.

/// Marks the section that is being read, and opens what an address names.
const navigation = () => {
  const links = [...document.querySelectorAll("nav a")];
  const sections = links.map((link) => document.querySelector(link.hash));
  let at = -1;
  const mark = () => {
    const line = innerHeight * 0.3;
    const end = innerHeight + scrollY >= document.documentElement.scrollHeight - 2;
    const passed = sections.filter((section) => section.getBoundingClientRect().top <= line).length;
    const now = end && scrollY > 0 ? sections.length - 1 : Math.max(0, passed - 1);
    if (now === at) return;
    at = now;
    links.forEach((link, place) => {
      if (place === now) link.setAttribute("aria-current", "true");
      else link.removeAttribute("aria-current");
    });
    const bar = links[0].parentElement;
    const link = links[now];
    if (link.offsetLeft < bar.scrollLeft || link.offsetLeft + link.offsetWidth > bar.scrollLeft + bar.clientWidth) {
      bar.scrollLeft = Math.max(0, link.offsetLeft - 20);
    }
  };
  const open = () => {
    const named = location.hash.length > 1 ? byId(location.hash.slice(1)) : null;
    if (named instanceof HTMLDetailsElement) named.open = true;
  };
  addEventListener("scroll", mark, { passive: true });
  addEventListener("resize", mark);
  addEventListener("hashchange", open);
  open();
  mark();
};

/// The scanning protocol is printed whole, folded away or not.
const printed = () => {
  const steps = byId("protocol-steps");
  if (!steps) return;
  let open = steps.open;
  addEventListener("beforeprint", () => { open = steps.open; steps.open = true; });
  addEventListener("afterprint", () => { steps.open = open; });
};

/// What scrolls sideways can be reached by the keyboard.
const scrollable = () => {
  const look = () => {
    for (const sheet of document.querySelectorAll(".sheet")) {
      if (sheet.scrollWidth > sheet.clientWidth) sheet.tabIndex = 0;
      else sheet.removeAttribute("tabindex");
    }
  };
  addEventListener("resize", look);
  document.addEventListener("toggle", look, true);
  look();
};

// The live page polls for changes of the study.

const watch = () => {
  const made = byId("made");
  made.textContent = new Date(made.dateTime).toLocaleString();
  const mine = byId("news").dataset.version;
  const live = byId("live");
  const announce = (words) => { if (live.textContent !== words) live.textContent = words; };
  const ask = async () => {
    try {
      const answer = await fetch(data.watch, { cache: "no-store" });
      if (answer.ok && (await answer.text()) !== mine) location.reload();
      else announce(answer.ok ? "; this page follows the study." : "; this page no longer follows the study.");
    } catch {
      announce("; the program has ended, and this page no longer follows the study.");
    }
    setTimeout(ask, 1000);
  };
  ask();
};

explorer();
tableView();
navigation();
printed();
scrollable();
if (data.watch) watch();
