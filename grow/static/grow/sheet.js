/* Enter goes down a line, as in a spreadsheet, and does not send a sheet half typed. */
"use strict";

(() => {
    const form = document.querySelector("form.sheet");
    if (!form) return;
    form.addEventListener("keydown", (event) => {
        const field = event.target;
        if (event.key !== "Enter" || !field.matches(".grid input, .grid select")) return;
        event.preventDefault();
        const [, column, line] = field.name.match(/^(.*)-(\d+)$/);
        const next = form.elements.namedItem(`${column}-${Number(line) + (event.shiftKey ? -1 : 1)}`);
        if (next) next.focus();
    });
    const first = form.querySelector("[aria-invalid]") || form.querySelector("tr.wrong input");
    if (first) first.focus();
})();
