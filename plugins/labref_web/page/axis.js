// The common axis of all rows: detuning in units of the tolerance, 0 in the middle between the
// limits, -1 the red limit, +1 the blue one.
//
// Between the limits the axis is linear and takes the middle of the width; outside it bends, with
// no kink, into a logarithm up to a hundred tolerances, so that a laser that is slightly out and
// one that is a comb tooth away are both on the page, and distances inside are compared by eye.

export const LIMIT = 0.55;
export const FARTHEST = 100;
const BEND = bend();

// The logarithm ln(1 + BEND (x - 1)) that leaves the limit with the slope of the straight part.
function bend() {
  let a = 8;
  for (let i = 0; i < 40; i += 1) a = (LIMIT / (1 - LIMIT)) * Math.log1p((FARTHEST - 1) * a);
  return a;
}

export function fold(x) {
  const size = Math.abs(x);
  if (!(size > 1)) return LIMIT * x;
  const far = Math.log1p(BEND * (size - 1)) / Math.log1p(BEND * (FARTHEST - 1));
  return Math.sign(x) * (LIMIT + (1 - LIMIT) * Math.min(1, far));
}

export function halfWidth(tolerance) {
  return (tolerance.high_hz - tolerance.low_hz) / 2;
}

export function toUnits(hz, tolerance) {
  return (hz - (tolerance.high_hz + tolerance.low_hz) / 2) / halfWidth(tolerance);
}

// Distance to the nearest limit in units of the tolerance: positive inside, negative outside,
// null where nothing is known. A forbidden interval is a limit too.
export function margin(hz, tolerance) {
  if (hz === null || hz === undefined || !tolerance) return null;
  let nearest = Math.min(hz - tolerance.low_hz, tolerance.high_hz - hz);
  for (const [low, high] of tolerance.forbidden ?? []) {
    nearest = Math.min(nearest, Math.max(low - hz, hz - high));
  }
  return nearest / halfWidth(tolerance);
}
