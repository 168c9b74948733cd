// Sorting, filtering and keys for the list of stems. The page can be read without it.
{
const $ = id => document.getElementById(id);
const table = document.querySelector("table.stems");
const stems = [...table.tBodies];
const tools = $("tools"), filter = $("filter"), order = $("order"), search = $("search");
const text = new Map(stems.map(stem => [stem, stem.textContent.toLowerCase()]));
const by = {
  order: (a, b) => a.dataset.order - b.dataset.order,
  name: (a, b) => a.dataset.name.localeCompare(b.dataset.name, "en", { numeric: true }),
  group: (a, b) => a.dataset.group.localeCompare(b.dataset.group, "en"),
  peak: (a, b) => b.dataset.peak - a.dataset.peak,
  rise: (a, b) => b.dataset.rise - a.dataset.rise,
  worst: (a, b) => b.dataset.worst - a.dataset.worst,
};
const fits = stem => {
  const value = filter.value, [kind] = value.split(" ", 1), rest = value.slice(kind.length + 1);
  const kept = value === "" ||
    (kind === "needs" && stem.dataset.worst >= 2) ||
    (kind === "state" && stem.dataset.state === rest) ||
    (kind === "finding" && stem.dataset.findings.split(" ").includes(rest));
  return kept && text.get(stem).includes(search.value.trim().toLowerCase());
};
const shown = () => [...table.tBodies].filter(stem => !stem.hidden);
const update = () => {
  const sorted = [...stems].sort((a, b) => by[order.value](a, b) || by.order(a, b));
  table.append(...sorted);
  let count = 0;
  for (const stem of sorted) {
    stem.hidden = !fits(stem);
    count += !stem.hidden;
  }
  $("none").hidden = count > 0;
  $("shown").textContent = `${count} of ${stems.length} shown`;
  const first = shown()[0];
  for (const stem of stems) stem.querySelector("th").tabIndex = stem === first ? 0 : -1;
};
const go = stem => {
  if (!stem) return;
  for (const other of stems) other.querySelector("th").tabIndex = other === stem ? 0 : -1;
  stem.querySelector("th").focus();
  stem.scrollIntoView({ block: "nearest" });
};
// Single letters count only while the list has the focus (WCAG 2.2, success criterion 2.1.4).
table.addEventListener("keydown", event => {
  const stem = event.target.closest("tbody");
  if (!stem || event.ctrlKey || event.metaKey || event.altKey) return;
  const list = shown(), at = list.indexOf(stem), found = s => s.dataset.worst > 0;
  const move = {
    ArrowDown: () => list[at + 1],
    ArrowUp: () => list[at - 1],
    Home: () => list[0],
    End: () => list[list.length - 1],
    n: () => list.slice(at + 1).find(found),
    p: () => list.slice(0, Math.max(at, 0)).reverse().find(found),
  }[event.key];
  if (move) go(move());
  else if (event.key === "/") search.focus();
  else return;
  event.preventDefault();
});
search.addEventListener("keydown", event => {
  if (event.key !== "Escape") return;
  search.value = "";
  update();
  go(shown()[0]);
});
tools.addEventListener("input", update);
tools.addEventListener("submit", event => event.preventDefault());
tools.hidden = false;
update();
}
