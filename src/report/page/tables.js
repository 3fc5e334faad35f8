// The tables: columns of numbers, or of words and which.

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
      ? ` The page holds ${state.table.rows} of ${state.table.all} rows; the file tables/${state.table.name}.csv holds all.` : "";
    note.textContent = `${seen} of ${state.rows.length} rows shown, numbers to five digits.${part}`;
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

