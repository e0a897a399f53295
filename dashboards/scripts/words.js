// The words of the scripts. They stand in the page, in the language of its reader.

const words = Object.fromEntries(
  [...document.getElementById("words").content.children].map((part) => [part.dataset.key, part.textContent]),
);
const plural = new Intl.PluralRules(document.documentElement.lang);

/** The text of a key, with what goes into it by name. */
export const say = (key, told = {}) => words[key].replace(/\{([\w-]+)\}/g, (whole, name) => told[name] ?? whole);

/** The text of a key for one thing, or that for more or none. */
export const sayOf = (count, key, told = {}) => say(plural.select(count) === "one" ? `${key}-one` : key, { ...told, count });
