// Building the page by hand: elements, text, and the three shapes of a state. Text is only ever
// set as text, so nothing a lab file or an instrument says can become markup.

const SVG = "http://www.w3.org/2000/svg";

export function make(tag, attributes = {}, ...children) {
  return filled(document.createElement(tag), attributes, children);
}

export function draw(tag, attributes = {}, ...children) {
  return filled(document.createElementNS(SVG, tag), attributes, children);
}

function filled(node, attributes, children) {
  for (const [key, value] of Object.entries(attributes)) {
    if (key.startsWith("on")) node.addEventListener(key.slice(2), value);
    else if (value !== null && value !== undefined && value !== false) {
      node.setAttribute(key, value === true ? "" : value);
    }
  }
  node.append(...children.filter((child) => child !== null && child !== undefined));
  return node;
}

// Set text or an attribute only where it differs: ten times a second most of it does not.
export function say(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

export function put(node, key, value) {
  if (value === null || value === false) {
    if (node.hasAttribute(key)) node.removeAttribute(key);
  } else if (node.getAttribute(key) !== String(value)) {
    node.setAttribute(key, value);
  }
}

// One shape per state, told apart without colour and from three metres: a filled disc is good, a
// cross is bad, a broken ring is unknown.
export function shape(state = "unknown") {
  const svg = draw("svg", {
    class: "shape", viewBox: "-12 -12 24 24", "aria-hidden": "true", focusable: "false",
  });
  svg.append(
    draw("circle", { class: "is-good", r: 9 }),
    draw("path", { class: "is-bad", d: "M-8.5 -8.5 L8.5 8.5 M8.5 -8.5 L-8.5 8.5" }),
    draw("circle", { class: "is-unknown", r: 8, pathLength: 24 }),
  );
  reshape(svg, state);
  return svg;
}

export function reshape(svg, state) {
  put(svg, "data-state", state);
}
