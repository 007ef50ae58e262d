// Sends scans in pieces, and goes on after a broken line from where it stopped.

const form = document.getElementById("drop");
const place = document.getElementById("place");
const input = document.getElementById("scan");
const coming = document.getElementById("coming");
const token = document.querySelector('meta[name="form-token"]').content;
const PIECE = 8 * 1024 * 1024;
const TRIES = 6;

document.getElementById("recipe").addEventListener("change", (event) => event.target.form.submit());

for (const name of ["dragenter", "dragover"]) {
  place.addEventListener(name, (event) => { event.preventDefault(); place.classList.add("over"); });
}
place.addEventListener("dragleave", () => place.classList.remove("over"));
place.addEventListener("drop", (event) => {
  event.preventDefault();
  place.classList.remove("over");
  if (event.dataTransfer.files.length) input.files = event.dataTransfer.files;
});

async function call(method, address, body, type) {
  const headers = { "X-Board-Form": token };
  if (type) headers["Content-Type"] = type;
  const answer = await fetch(address, { method, body, headers, credentials: "same-origin" });
  const told = await answer.json().catch(() => ({}));
  if (!answer.ok) throw Object.assign(new Error(told.detail || `status ${answer.status}`), { status: answer.status, told });
  return told;
}

function row(file) {
  const item = document.createElement("li");
  const name = document.createElement("span");
  const bar = document.createElement("progress");
  const said = document.createElement("span");
  name.textContent = file.name;
  bar.max = file.size;
  bar.value = 0;
  bar.setAttribute("aria-label", `How much of ${file.name} is there`);
  said.className = "said";
  item.append(name, bar, said);
  coming.append(item);
  return { bar, said };
}

function answers() {
  const set = {};
  for (const field of form.elements) {
    if (field.name && field.name.startsWith("ask.") && field.value) set[field.name.slice(4)] = field.value;
  }
  const asked = { recipe: form.dataset.recipe, set };
  for (const name of ["order", "unit", "up", "note"]) {
    if (form.elements[name].value) asked[name] = form.elements[name].value;
  }
  return asked;
}

async function bring(file, asked) {
  const { bar, said } = row(file);
  try {
    let state = await call("POST", "/api/v1/uploads", JSON.stringify({ ...asked, name: file.name, bytes: file.size }), "application/json");
    let failed = 0;
    while (!state.complete) {
      try {
        const piece = file.slice(state.has, state.has + PIECE);
        state = await call("PUT", `/api/v1/uploads/${state.id}?at=${state.has}`, piece, "application/octet-stream");
        failed = 0;
      } catch (error) {
        failed += 1;
        if (failed > TRIES || (error.status && ![409, 429, 503].includes(error.status))) throw error;
        said.textContent = "The line broke; going on in a moment.";
        await new Promise((done) => setTimeout(done, 500 * 2 ** failed));
        state = await call("GET", `/api/v1/uploads/${state.id}`).catch((other) => { if (other.status) throw other; return state; });
      }
      bar.value = state.has;
    }
    said.textContent = `In the inbox as ${state.name}. `;
    const link = document.createElement("a");
    link.href = `/?find=${encodeURIComponent(state.name)}`;
    link.textContent = "See its job";
    said.append(link);
  } catch (error) {
    said.textContent = `Not taken in: ${error.message}`;
  }
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const button = form.querySelector("button.main");
  button.disabled = true;
  const asked = answers();
  for (const file of [...input.files]) await bring(file, asked);
  button.disabled = false;
  input.value = "";
});
