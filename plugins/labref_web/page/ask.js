// Asking the service, with the token where it wants one.

const KEY = "labref-token";
let token = sessionStorage.getItem(KEY) ?? "";

export class Refused extends Error {
  constructor(status, text) {
    super(text);
    this.status = status;
  }
}

export function useToken(text) {
  token = text;
  sessionStorage.setItem(KEY, text);
}

// `other`: a token for this request alone.
export function headers(more = {}, other = "") {
  const used = other || token;
  return used ? { ...more, Authorization: `Bearer ${used}` } : more;
}

// The answer as a value. Raises Refused with the service's own words, or a network error.
export async function ask(path, { body = null, timeoutMs = 8000, other = "" } = {}) {
  const options = { headers: headers({}, other), signal: AbortSignal.timeout(timeoutMs), cache: "no-store" };
  if (body !== null) {
    options.method = "POST";
    options.headers = headers({ "Content-Type": "application/json" }, other);
    options.body = JSON.stringify(body);
  }
  const reply = await fetch(`api/v1/${path}`, options);
  if (!reply.ok) throw new Refused(reply.status, await said(reply));
  return reply.status === 204 ? null : reply.json();
}

async function said(reply) {
  const text = (await reply.text()).slice(0, 500);
  try {
    const value = JSON.parse(text);
    return String(value.error?.message ?? value.error ?? value.detail ?? value.message ?? text);
  } catch {
    return text || `${reply.status} ${reply.statusText}`;
  }
}
