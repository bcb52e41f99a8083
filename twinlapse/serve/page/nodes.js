// Describing what a page shows, and bringing the document to it with as few changes as possible: what has not
// changed is not touched, so that a film goes on playing, a focus stays and no picture is fetched twice.

const SVG = "http://www.w3.org/2000/svg";

// a node: { tag, attributes, children }; texts stand for themselves, null and false for nothing
export function made(tag, attributes = {}, ...children) {
  const shown = children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false);
  return { tag, attributes, children: shown };
}

export function patch(parent, nodes) {
  const old = [...parent.childNodes];
  const keyed = new Map(old.filter((element) => element.twinKey !== undefined).map((element) => [element.twinKey, element]));
  const used = new Set();
  const place = (element, index) => {
    used.add(element);
    if (parent.childNodes[index] !== element) parent.insertBefore(element, parent.childNodes[index] ?? null);
  };
  nodes.forEach((node, index) => {
    const isText = typeof node !== "object";
    const key = isText ? undefined : node.attributes.key;
    const fits = (element) => !used.has(element) && (isText ? element.nodeType === 3 : element.localName === node.tag) && element.twinKey === key;
    const found = key === undefined ? old.find(fits) : [keyed.get(key)].find((element) => element && fits(element));
    if (isText) {
      const text = found ?? document.createTextNode("");
      if (text.data !== String(node)) text.data = String(node);
      place(text, index);
      return;
    }
    const element = found ?? fresh(parent, node);
    place(element, index);
    dress(element, node.attributes);
    if (!node.attributes.own) patch(element, node.children);
    if (!found) node.attributes.begin?.(element);
  });
  for (const element of old) {
    if (used.has(element)) continue;
    element.remove();
  }
}

function fresh(parent, node) {
  const inSvg = node.tag === "svg" || (parent.namespaceURI === SVG && parent.localName !== "foreignObject");
  const element = inSvg ? document.createElementNS(SVG, node.tag) : document.createElement(node.tag);
  element.twinKey = node.attributes.key;
  element.twinDress = {};
  return element;
}

// `key` tells siblings apart, `begin` is called once with the new element, `own` leaves its children alone, `style`
// is an object: the policy of the page takes no style in an attribute
const SPECIAL = new Set(["key", "begin", "own", "style"]);

function dress(element, attributes) {
  const before = element.twinDress ?? {};
  for (const name of Object.keys(before)) {
    if (!(name in attributes)) undress(element, name);
  }
  if (attributes.style) Object.assign(element.style, attributes.style);
  for (const [name, value] of Object.entries(attributes)) {
    if (SPECIAL.has(name) || before[name] === value) continue;
    if (name.startsWith("on")) element[name] = value;
    else if (value === false || value === null || value === undefined) element.removeAttribute(name);
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.twinDress = attributes;
}

function undress(element, name) {
  if (name.startsWith("on")) element[name] = null;
  else if (!SPECIAL.has(name)) element.removeAttribute(name);
}
