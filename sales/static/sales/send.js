/* Sending out, while somebody types: one more and one less, and what is still lacking. What it
   shows is what the server works out again when the form is sent. */
"use strict";

document.addEventListener("DOMContentLoaded", () => {
    const form = document.querySelector("form.send");
    if (!form) return;
    const refusal = document.getElementById("refusal");
    if (refusal) refusal.scrollIntoView({ block: "nearest" });

    let sent = false;
    form.addEventListener("submit", (event) => {
        if (sent) event.preventDefault();
        sent = true;
    });
    window.addEventListener("pageshow", () => { sent = false; });

    const whole = (text) => (/^\s*\d+\s*$/.test(text) ? Number(text) : 0);
    const show = (row) => {
        const box = row.querySelector("input.number");
        if (box) row.classList.toggle("is-filled", !/^\s*0*\s*$/.test(box.value));
    };

    /* What is lacking was said of what was filled in then: by number it is said anew, of weights
       the server says it. */
    const lacks = (group) => {
        const said = group.querySelector(".send-lacks");
        if (!said) return;
        const boxes = [...group.querySelectorAll(".steps:has(.step) input.number")];
        const filled = boxes.reduce((sum, box) => sum + whole(box.value), 0);
        const short = Number(group.dataset.gap) - filled;
        said.hidden = !boxes.length || short <= 0;
        said.textContent = group.dataset.note ? `${short} to follow` : `${short} short of the level`;
    };
    const changed = (row) => {
        show(row);
        lacks(row.closest(".send-group"));
    };

    form.querySelectorAll(".send-row").forEach((row) => {
        const box = row.querySelector("input.number");
        row.querySelectorAll(".step").forEach((button) => {
            button.hidden = false;
            button.addEventListener("click", () => {
                const next = whole(box.value) + Number(button.dataset.step);
                box.value = Math.max(0, Math.min(next, Number(box.dataset.most)));
                changed(row);
            });
        });
        row.addEventListener("input", () => changed(row));
    });
});
