// Asks for the capture folder. The token stands behind the '#' of the address, where no server and no log sees it.

const at = id => document.getElementById(id);
const sections = ["enter", "ask", "going"];
let token = location.hash.slice(1).split(".")[0];
let shown = null;
let waits = null;

function show(section) {
  for (const id of sections) at(id).hidden = id !== section;
}

function say(id, text) {
  at(id).textContent = text ?? "";
  at(id).hidden = !text;
}

async function post(path, folder) {
  const body = JSON.stringify(folder === undefined ? { token } : { token, folder });
  return fetch(path, { method: "POST", headers: { "Content-Type": "application/json" }, body });
}

function button(text, folder) {
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = text;
  button.addEventListener("click", () => look(folder));
  return button;
}

function complain(text) {
  show("ask");
  say("says", text);
}

async function look(folder) {
  let answer;
  let told;
  try {
    answer = await post("/folders", folder);
    if (answer.status === 401 || answer.status === 429) {
      show("enter");
      return say("enter-says", token ? await answer.text() : "");
    }
    if (!answer.ok) return complain(await answer.text() || `greyhold can't tell what lies there (${answer.status}).`);
    told = await answer.json();
  } catch {
    return complain("greyhold doesn't answer: it has ended. Start it again.");
  }
  show("ask");
  say("why", told.why);
  // A folder that was away may come back, and nobody has to choose.
  if (told.why) waits ??= setInterval(goOn, 2000);
  say("says", told.fault);
  at("beginnings").replaceChildren(...told.beginnings.map(b => button(b.name, b.path)));
  if (!told.seen) return;
  shown = told.seen;
  at("path").value = shown.path;
  const pictures = shown.pictures === 1 ? "1 photograph" : `${shown.pictures} photographs`;
  at("holds").textContent = `${pictures} and ${shown.folders.length} folders lie in it${shown.more ? ", and more" : ""}.`;
  const above = shown.above ? [button("↑ the folder above", shown.above)] : [];
  const all = [...above, ...shown.folders.map(f => button(f.name, f.path))];
  at("inside").replaceChildren(...all.map(b => {
    const line = document.createElement("li");
    line.append(b);
    return line;
  }));
}

// The stand page comes up at the same address, and knows this page's files no more.
async function goOn() {
  try {
    const answer = await fetch("/choose.js", { cache: "no-store" });
    if (answer.status === 401 || answer.status === 404) location.replace(`/set#${token}`);
  } catch {
    // Not yet there.
  }
}

async function comeUp() {
  for (let tries = 0; tries < 240; tries += 1) {
    await new Promise(done => setTimeout(done, 500));
    await goOn();
  }
  at("going-says").textContent =
    "It doesn't come up. Start greyhold again, or 'greyhold check --folder' with this folder says what is wrong.";
}

at("enter-form").addEventListener("submit", event => {
  event.preventDefault();
  token = at("token").value.trim();
  look();
});
at("typed").addEventListener("submit", event => {
  event.preventDefault();
  look(at("path").value);
});
at("watch").addEventListener("click", async () => {
  const folder = at("path").value || shown?.path;
  at("watch").disabled = true;
  try {
    const answer = await post("/choose", folder);
    if (answer.ok) {
      show("going");
      return comeUp();
    }
    say("says", await answer.text());
  } catch {
    say("says", "greyhold doesn't answer: it has ended. Start it again.");
  }
  at("watch").disabled = false;
});

history.replaceState(null, "", "/");
look();
