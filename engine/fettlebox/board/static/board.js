// Follows what happens. The server says that there is news; the part of the page that shows it is fetched anew,
// and only what differs is replaced, so that nobody loses the place that they are at.

const line = document.getElementById("line");
const part = document.getElementById("follow");

function say(text) {
  if (line && line.textContent !== text) line.textContent = text;
}

// Children with the same data-key stay as they are unless their content changed.
function bring(old, fresh) {
  const kept = new Map([...old.children].filter((c) => c.dataset.key).map((c) => [c.dataset.key, c]));
  const children = [...fresh.children].map((child) => {
    const known = kept.get(child.dataset.key);
    if (!known || known.tagName !== child.tagName) return child;
    if (known.outerHTML === child.outerHTML) return known;
    if (child.querySelector("[data-key]")) {
      bringInside(known, child);
      return known;
    }
    return child;
  });
  const held = old.contains(document.activeElement) ? document.activeElement : null;
  const key = held && held.closest("[data-key]") ? held.closest("[data-key]").dataset.key : null;
  if (children.length !== old.children.length || children.some((c, i) => c !== old.children[i])) {
    old.replaceChildren(...children);
    if (held && document.activeElement !== held) {
      const again = key && old.querySelector(`[data-key="${CSS.escape(key)}"] a, a[data-key="${CSS.escape(key)}"]`);
      (again || held).focus({ preventScroll: true });
    }
  }
}

// A section: its list is brought up to date, everything else in it is taken from the new one.
function bringInside(known, child) {
  const list = known.querySelector(":scope > ul");
  const fresh = child.querySelector(":scope > ul");
  if (!list || !fresh) { known.replaceChildren(...child.children); return; }
  bring(list, fresh);
  const others = [...child.children].map((c) => (c === fresh ? list : c));
  const same = others.length === known.children.length && others.every((c, i) => c === list || c.outerHTML === known.children[i].outerHTML);
  if (!same) {
    for (const old of [...known.children]) if (old !== list) old.remove();
    const at = others.indexOf(list);
    others.slice(0, at).forEach((c) => known.insertBefore(c, list));
    others.slice(at + 1).forEach((c) => known.append(c));
  }
}

let written = false;
document.addEventListener("input", () => { written = true; });

async function fetchPart() {
  const answer = await fetch(part.dataset.part + (part.hasAttribute("data-whole") ? "" : location.search), { credentials: "same-origin" });
  if (answer.status === 401) { location.reload(); return; }
  if (!answer.ok) return;
  const fresh = document.createElement("div");
  fresh.replaceChildren(...new DOMParser().parseFromString(await answer.text(), "text/html").body.children);
  if (part.hasAttribute("data-whole")) {
    const before = part.querySelector("[data-state]").dataset.state;
    const now = fresh.querySelector("[data-state]").dataset.state;
    if (before !== now) {
      if (!written) { location.reload(); return; }
      say("This job has changed. Load the page again before you decide.");
      return;
    }
  }
  bring(part, fresh);
}

let last = null;
let asking = null;
let again = false;

async function news(text) {
  const told = JSON.parse(text);
  for (const place of document.querySelectorAll("[data-step]")) {
    const step = told.at_work[place.dataset.step];
    if (step !== undefined && place.textContent !== step) place.textContent = step;
  }
  if (told.news === last && !part.hasAttribute("data-whole")) return;
  last = told.news;
  if (asking) { again = true; return; }
  do {
    again = false;
    asking = fetchPart();
    await asking.catch(() => {});
    asking = null;
  } while (again);
}

function follow() {
  const source = new EventSource("/live");
  // What this page itself has sent must not be overtaken by the news of it.
  document.addEventListener("submit", () => source.close());
  addEventListener("pagehide", () => source.close());
  source.addEventListener("open", () => {
    say("Live");
    last = null; // whatever happened while nobody told us
  });
  source.addEventListener("news", (event) => news(event.data));
  source.addEventListener("error", () => {
    say("No connection; trying again");
    // A stream that was refused is not tried again by the browser. If the session has ended, fetching says so.
    if (source.readyState === EventSource.CLOSED) setTimeout(() => fetchPart().catch(() => {}).then(follow), 5000);
  });
}

if (part) follow();

// "/" goes to the search, as in many lists; not while somebody writes.
document.addEventListener("keydown", (event) => {
  const find = document.getElementById("find");
  const writes = /^(INPUT|TEXTAREA|SELECT)$/.test(document.activeElement.tagName);
  if (event.key === "/" && find && !writes && !event.ctrlKey && !event.metaKey && !event.altKey) {
    event.preventDefault();
    find.focus();
  }
});
