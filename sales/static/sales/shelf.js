/* The closing count under a thumb: plus and minus beside each figure. A figure that nobody has
   touched stays open; the first minus says that none is left. */
"use strict";

document.addEventListener("DOMContentLoaded", () => {
    const form = document.querySelector("form.closing");
    if (!form) return;
    const refusal = document.getElementById("refusal");
    if (refusal) refusal.scrollIntoView({ block: "nearest" });

    let sent = false;
    form.addEventListener("submit", (event) => {
        if (sent) event.preventDefault();
        sent = true;
    });
    window.addEventListener("pageshow", () => { sent = false; });

    form.querySelectorAll(".step").forEach((button) => {
        button.hidden = false;
        const field = button.parentElement.querySelector("input");
        button.addEventListener("click", () => {
            const now = /^\s*\d+\s*$/.test(field.value) ? Number(field.value) : 0;
            field.value = Math.max(0, now + Number(button.dataset.step));
        });
    });
});
