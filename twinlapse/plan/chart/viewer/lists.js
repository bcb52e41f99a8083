// Words and tables: the chosen shot, what is left out and why, all shots.

const RETRACTED = {
  already: "the file has retracted here already",
  own: (shot) => `retracts ${shot.retract_mm} mm`,
  firmware: "retracts by G10",
  none: "no retraction",
};

function element(tag, text = "", attributes = {}) {
  const made = document.createElement(tag);
  made.textContent = text;
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  return made;
}

function shotLines(data, edits, index) {
  const shot = edits.shot(index), extra = data.shots[index];
  const filament = RETRACTED[shot.retract];
  const lines = [
    `Layer ${shot.layer} of ${data.layer_z_mm.length}, Z ${shot.z_mm} mm; after line ${shot.after_line.toLocaleString("en")}; ${clock(shot.at_s)} into the print`,
    `Adds ${shot.cost_s.toFixed(1)} s; Z-hop ${shot.lift_mm.toFixed(1)} mm; ${typeof filament === "function" ? filament(shot) : filament}`,
  ];
  if (extra.object) lines.push(`Object: ${extra.object}`);
  if (extra.why) lines.push(`Chosen because ${extra.why}`);
  if (data.visible.includes(index)) lines.push("Stops at a visible outer wall: it may leave a mark");
  if (edits.left.has(index)) lines.push("Left out by you");
  return lines;
}

function fillLeftOut(list, data) {
  list.replaceChildren(
    ...data.left_out.map((other) =>
      element("li", `Layer ${other.layer + 1}${other.cameras.length ? `, ${other.cameras.join(" and ")}` : ""}: ${other.why}`)
    )
  );
}

const COLUMNS = [
  ["Shot", (shot) => shot.number],
  ["Layer", (shot) => shot.layer],
  ["Z, mm", (shot) => shot.z_mm],
  ["At", (shot) => shot.at_s, (shot) => clock(shot.at_s)],
  ["Adds, s", (shot) => shot.cost_s, (shot) => shot.cost_s.toFixed(1)],
  ["Line", (shot) => shot.after_line],
  ["Cameras", (shot) => shot.stops.map((stop) => stop.cameras.join(" + ")).join(", ")],
];

function fillTable(table, data, edits, sorted, choose, sort) {
  const head = element("tr");
  COLUMNS.forEach(([name], k) => {
    const cell = element("th", "", { scope: "col", "aria-sort": k === sorted.column ? (sorted.up ? "ascending" : "descending") : "none" });
    const button = element("button", name, { type: "button" });
    button.addEventListener("click", () => sort(k));
    cell.append(button);
    head.append(cell);
  });
  const value = COLUMNS[sorted.column][1];
  const order = data.plan.shots.map((_, k) => k).sort((p, q) => {
    const [a, b] = [value(edits.shot(p)), value(edits.shot(q))];
    return (a < b ? -1 : a > b ? 1 : p - q) * (sorted.up ? 1 : -1);
  });
  const rows = order.map((k) => {
    const shot = edits.shot(k);
    const row = element("tr", "", { "data-index": k, ...(edits.left.has(k) ? { class: "left" } : {}) });
    COLUMNS.forEach(([, plain, text], column) => {
      const cell = element(column ? "td" : "th", column ? String((text ?? plain)(shot)) : "", column ? {} : { scope: "row" });
      if (!column) {
        const button = element("button", String(shot.number), { type: "button", "aria-label": `show shot ${shot.number}` });
        button.addEventListener("click", () => choose(k));
        cell.append(button);
      }
      row.append(cell);
    });
    return row;
  });
  const [header, body] = [element("thead"), element("tbody")];
  header.append(head);
  body.append(...rows);
  table.replaceChildren(header, body);
}
