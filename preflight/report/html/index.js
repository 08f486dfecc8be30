// Shows the rows that fit what is chosen. The address keeps the choice, so that going back from a report finds it again.
"use strict";
(() => {
  document.documentElement.classList.remove("no-script");
  const byId = (id) => document.getElementById(id);
  const rows = [...byId("rows").rows];
  const fields = ["verdict", "check", "name"].map(byId);
  const kept = new URLSearchParams(location.hash.slice(1));
  for (const field of fields) if (kept.has(field.id)) field.value = kept.get(field.id);

  function choose() {
    const [verdict, check, name] = fields.map((field) => field.value);
    let shown = 0;
    for (const row of rows) {
      const fits = (!verdict || row.dataset.verdict === verdict)
        && (!check || row.dataset.checks.split(" ").includes(check))
        && row.dataset.name.toLowerCase().includes(name.toLowerCase());
      row.hidden = !fits;
      shown += fits;
    }
    byId("shown").textContent = shown + " of " + rows.length + " shown";
    const told = new URLSearchParams(fields.filter((field) => field.value).map((field) => [field.id, field.value]));
    history.replaceState(null, "", "#" + told);
  }
  for (const field of fields) field.addEventListener("input", choose);
  choose();
})();
