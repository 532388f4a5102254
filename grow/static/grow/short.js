/* Short pages: what would be made is said while it is typed, and the clock of this device says in
   which time zone the business most likely is. Without it every page works the same. */
"use strict";

document.addEventListener("DOMContentLoaded", () => {
    const field = (name) => document.getElementById(`id_${name}`);
    document.getElementById("refusal")?.focus();

    const preview = document.querySelector("[data-bulk]");
    if (preview) {
        const [one, many] = preview.dataset.bulk.split("|");
        const whole = (name) => (/^\d+$/.test(field(name)?.value.trim() ?? "")
            ? Number(field(name).value) : NaN);
        const show = () => {
            const [count, first] = [whole("count"), whole("first")];
            const sites = field("tiers") ? count * whole("tiers") * whole("round") : 0;
            const called = field("called").value.trim().replace(/\s+/g, " ");
            if (!(count > 0) || Number.isNaN(first) || Number.isNaN(sites) || !called) {
                preview.textContent = "";
                return;
            }
            const stem = /[\p{L}\p{N}_]{3}$/u.test(called) ? `${called} ` : called;
            const said = [`${count} ${count === 1 ? one : many}`];
            if (sites) said.push(`${sites} ${sites === 1 ? "site" : "sites"}`);
            const last = count > 1 ? ` to ${stem}${first + count - 1}` : "";
            preview.textContent = `${said.join(", ")}: ${stem}${first}${last}`;
        };
        document.querySelector("form.short").addEventListener("input", show);
        show();
    }

    const zone = document.querySelector("select[data-guess]");
    if (zone) {
        const here = Intl.DateTimeFormat().resolvedOptions().timeZone;
        if (here?.includes("/") && [...zone.options].some((one) => one.value === here)) zone.value = here;
    }

    /* Where a label begins is asked only of sheets. */
    const first = document.querySelector("[data-of-sheets]");
    if (first) {
        const show = () => {
            const chosen = document.querySelector("input[name=stock]:checked");
            first.hidden = !chosen?.closest("[data-sheet]");
        };
        document.querySelector("form.short").addEventListener("change", show);
        show();
    }

    /* Cards: all of them at a tap, and whose price is written is ticked. */
    const cards = document.querySelector("[data-cards]");
    if (cards) {
        const all = cards.querySelector("[data-tick-all]");
        const boxes = [...cards.querySelectorAll("input[type=checkbox]")];
        all.hidden = boxes.length < 2;
        all.addEventListener("click", () => boxes.forEach((box) => { box.checked = true; }));
        cards.addEventListener("input", ({target}) => {
            const box = target.closest(".row")?.querySelector("input[type=checkbox]");
            if (box && target !== box) box.checked = true;
        });
    }
});

// A page that prints stays open: its next press is another printing, a double press is not.
document.querySelectorAll("form[data-prints]").forEach((form) => {
  form.addEventListener("submit", () => {
    setTimeout(() => {
      const id = form.elements.client_id;
      if (id) id.value = `${Date.now().toString(36)}-${Math.random().toString(36).slice(2, 12)}`;
    }, 2000);
  });
});
