// The service's time. A wall computer whose clock is wrong must not ask for another hour than the
// one it shows, so everything on the page goes by the clock that stamped the readings.

const WAY_MS = 500; // no more than the way of a snapshot to here

let aheadMs = 0; // the service's clock minus this computer's

export function heard(serviceMs) {
  const ahead = serviceMs - Date.now();
  aheadMs = Math.abs(ahead) < WAY_MS ? 0 : ahead;
}

export function now() {
  return Date.now() + aheadMs;
}

export function toService(localMs) {
  return localMs + aheadMs;
}
