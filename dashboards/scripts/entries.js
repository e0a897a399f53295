// Shows what waits on this device, what was refused and why, and what was sent.

import { queue } from "/waiting.js";
import { say } from "/words.js";

const SAID = {
  waiting: say("script-waiting"),
  login: say("script-login"),
  refused: say("script-refused"),
  photos: say("script-photos"),
  sent: say("script-sent"),
};

/** A button that does something. */
export function button(words, pressed) {
  const made = document.createElement("button");
  made.type = "button";
  made.className = "small";
  made.textContent = words;
  made.addEventListener("click", pressed);
  return made;
}

/** A link. */
export function link(words, to) {
  const made = document.createElement("a");
  made.href = to;
  made.textContent = words;
  return made;
}

/** An entry as a line; `changeAgain` is told the key of one that is to be typed anew. */
function line(entry, changeAgain) {
  const item = document.createElement("li");
  item.dataset.state = entry.state;
  const state = document.createElement("b");
  state.textContent = `${SAID[entry.state]}${entry.told ? `: ${entry.told}` : "."}`;
  item.append(state, ` ${say("script-entry", { tube: entry.tube, seen: entry.words })}`);
  if (entry.state === "login" || entry.login) item.append(" ", link(say("script-log-in"), `/login?next=${encodeURIComponent("/findings/new")}`));
  if (entry.state === "refused") item.append(" ", button(say("script-change"), () => changeAgain(entry.key)));
  if (entry.ids) item.append(" ", link(say("script-look"), `/findings/${entry.ids[0]}`));
  return item;
}

/** Shows the queue as it stands. */
export function showEntries(changeAgain) {
  const list = queue();
  document.getElementById("queue").hidden = list.length === 0;
  document.getElementById("entries").replaceChildren(...list.map((entry) => line(entry, changeAgain)).reverse());
  const of = (...states) => list.filter((entry) => states.includes(entry.state)).length;
  const said = [[of("waiting", "login", "photos"), "script-count-waiting"], [of("refused"), "script-count-refused"], [of("sent"), "script-count-sent"]];
  const words = said.filter(([number]) => number).map(([count, key]) => say(key, { count })).join(", ");
  // Set only if it is news: it is read aloud.
  if (document.getElementById("told").textContent !== words) document.getElementById("told").textContent = words;
}

