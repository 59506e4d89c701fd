// What all pages share: the catalogue's words for scripts, and requests to this app only.

const words = JSON.parse(document.getElementById("script-words").textContent);

/** The catalogue's text for a key, with {name} replaced. */
export function say(key, figures = {}) {
  return (words[key] ?? key).replace(/\{(\w+)\}/g, (whole, name) => figures[name] ?? whole);
}

/** Ask the app; answers with parsed JSON (null when empty). Throws {what, where, remedy, status}. */
export async function ask(path, { method = "GET", body, raw, form, signal } = {}) {
  const options = { method, signal, headers: { accept: "application/json" } };
  if (body !== undefined) { options.body = JSON.stringify(body); options.headers["content-type"] = "application/json"; }
  if (raw !== undefined) options.body = raw;
  if (form !== undefined) options.body = new URLSearchParams(form);
  const answer = await fetch(path, options);
  const text = await answer.text();
  let value = null;
  try { value = text ? JSON.parse(text) : null; } catch { value = { what: text }; }
  if (!answer.ok) throw Object.assign(new Error(value?.what ?? answer.statusText), value, { status: answer.status, value });
  return value;
}

/** A trouble as the person reads it. */
export function told(e) {
  if (e.status === undefined) return say("no_answer");
  return [e.where ? `${e.where}: ${e.what}` : e.what, e.remedy].filter(Boolean).join(" – ");
}

export function element(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key === "on") for (const [type, act] of Object.entries(value)) made.addEventListener(type, act);
    else if (value === true) made.setAttribute(key, "");
    else if (value !== false && value != null) made.setAttribute(key, value);
  }
  made.append(...children.filter((c) => c != null));
  return made;
}
