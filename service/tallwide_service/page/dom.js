// Elements, made in one way: text is always text.

const SVG = "http://www.w3.org/2000/svg";

export function made(name, text, className) {
  const one = document.createElement(name);
  if (text !== undefined) one.textContent = text;
  if (className) one.className = className;
  return one;
}

/** An SVG element. */
export function element(name, attributes = {}, ...children) {
  const one = document.createElementNS(SVG, name);
  for (const [attribute, value] of Object.entries(attributes)) if (value !== undefined) one.setAttribute(attribute, value);
  one.append(...children);
  return one;
}

export function listOf(lines, className) {
  const list = made("ul", undefined, className);
  list.append(...lines.map((line) => {
    const item = made("li");
    item.append(line);
    return item;
  }));
  return list;
}

export function button(name, act, className) {
  const one = made("button", name, className);
  one.type = "button";
  one.addEventListener("click", act);
  return one;
}

/** A part that is folded away; `key` names it, so that it stays as it was left. */
export function folded(key, title, ...inner) {
  const one = document.createElement("details");
  one.dataset.key = key;
  one.append(made("summary", title), ...inner);
  return one;
}

/** Put parts in place of what a holder had, folded parts as they were left. */
export function refill(holder, parts) {
  const open = new Set([...holder.querySelectorAll("details[open]")].map((each) => each.dataset.key));
  holder.replaceChildren(...parts);
  for (const each of holder.querySelectorAll("details")) if (open.has(each.dataset.key)) each.open = true;
}

/** A table that scrolls by itself where it is too wide: `heads`, then rows whose first cell is the row's name. */
export function tableOf(name, heads, rows) {
  const table = made("table"), head = made("tr"), scroll = made("div", undefined, "scroll");
  const cellOf = (kind, content) => {
    const cell = content instanceof Node && /^T[DH]$/.test(content.nodeName) ? content : made(kind);
    if (cell !== content) cell.append(content);
    return cell;
  };
  head.append(...heads.map((each) => Object.assign(cellOf("th", each), { scope: "col" })));
  const body = made("tbody");
  body.append(...rows.map(([first, ...rest]) => {
    const row = made("tr");
    row.append(Object.assign(cellOf("th", first), { scope: "row" }), ...rest.map((each) => cellOf("td", each)));
    return row;
  }));
  const top = made("thead");
  top.append(head);
  table.append(top, body);
  Object.assign(scroll, { tabIndex: 0, role: "region", ariaLabel: `${name}, table` });
  scroll.append(table);
  return scroll;
}

/** Fill a select with names, where they are others than it has, and choose one. */
export function chooseIn(select, names, chosen) {
  if (select.options.length !== names.length || names.some((name, place) => select.options[place].text !== name)) {
    select.replaceChildren(...names.map((name) => new Option(name)));
  }
  select.selectedIndex = chosen;
}

export function save(blob, name) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
}
