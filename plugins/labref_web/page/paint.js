// What canvases need to know of the style sheet: colours and the hatching of what is not known.

const NAMES = ["paper", "ink", "soft", "rule", "lane", "good", "bad", "unknown", "bad-wash", "unknown-wash"];
let known = null;

export function paint() {
  if (known === null) {
    known = {};
    const probe = document.createElement("span");
    document.body.append(probe);
    for (const name of NAMES) {
      probe.style.color = `var(--${name})`;
      known[name] = getComputedStyle(probe).color;
    }
    probe.remove();
  }
  return known;
}

export function forget() {
  known = null;
}

// Oblique lines, drawn: a pattern would have to be made anew for every canvas and theme.
export function hatch(context, left, top, width, height, colour, ratio) {
  context.save();
  context.beginPath();
  context.rect(left, top, width, height);
  context.clip();
  context.strokeStyle = colour;
  context.globalAlpha = 0.55;
  context.lineWidth = ratio;
  context.beginPath();
  const step = 8 * ratio;
  for (let x = Math.floor((left - height) / step) * step; x < left + width; x += step) {
    context.moveTo(x, top + height);
    context.lineTo(x + height, top);
  }
  context.stroke();
  context.restore();
}

// Stretches of the plot by what was known there: not measured and unknown hatched, bad tinted with
// a bar at the foot, so that neither is told by colour alone. columns: t, mean, state (ms).
export function stretches(u, columns, from, to, longestMs) {
  const colours = paint();
  const { left, top, width, height } = u.bbox;
  const ratio = window.devicePixelRatio || 1;
  const x = (t) => left + ((t - from) / (to - from)) * width;
  for (const [begin, end, kind] of runs(columns, from, to, longestMs)) {
    const a = Math.max(left, x(begin));
    const b = Math.min(left + width, Math.max(x(end), a + ratio));
    if (b <= a || kind === 1) continue;
    u.ctx.fillStyle = colours[kind === 2 ? "bad-wash" : "unknown-wash"];
    u.ctx.fillRect(a, top, b - a, height);
    if (kind === 0) hatch(u.ctx, a, top, b - a, height, colours.unknown, ratio);
    else {
      u.ctx.fillStyle = colours.bad;
      u.ctx.fillRect(a, top + height - 4 * ratio, b - a, 4 * ratio);
    }
  }
}

// [begin, end, kind] in order; kind 0 unknown, 1 good, 2 bad. Each point speaks from the point
// before it to itself, if they are not too far apart.
export function runs({ t, mean, state }, from, to, longestMs) {
  const found = [];
  const note = (begin, end, kind) => {
    const last = found.at(-1);
    if (last && last[2] === kind && begin <= last[1] + 1) last[1] = end;
    else found.push([begin, end, kind]);
  };
  const step = longestMs / 2.5;
  let before = from;
  for (let i = 0; i < t.length; i += 1) {
    if (t[i] < from) {
      before = Math.max(from, t[i]);
      continue;
    }
    if (t[i] - before > longestMs) {
      note(before, t[i] - longestMs, 0);
      before = t[i] - longestMs;
    }
    // After a gap a point speaks for its own length only.
    if (i > 0 && mean[i - 1] === null && mean[i] !== null && t[i] - before > step) {
      note(before, t[i] - step, 0);
      before = t[i] - step;
    }
    note(before, t[i], mean[i] === null ? 0 : state[i]);
    before = t[i];
  }
  if (to - before > longestMs) note(before, to, 0);
  return found;
}
