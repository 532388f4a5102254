/* The packing bench, while somebody types: what the run comes to, and steps for the packs. What it
   shows is what the server works out again when the form is sent. */
"use strict";

document.addEventListener("DOMContentLoaded", () => {
    const form = document.querySelector("form.pack");
    if (!form) return;
    const refusal = document.getElementById("refusal");
    if (refusal) refusal.scrollIntoView({ block: "nearest" });

    let sent = false;
    form.addEventListener("submit", (event) => {
        if (sent) event.preventDefault();
        sent = true;
    });
    window.addEventListener("pageshow", () => { sent = false; });

    const packs = document.getElementById("id_packs");
    const sums = form.querySelector(".pack-sums");
    const show = (name, text) => {
        const cell = form.querySelector(`[data-sum="${name}"]`);
        if (cell) cell.textContent = text;
    };
    const kilograms = (text) => {
        const typed = /^\s*(\d+)(?:[.,](\d{1,3}))?\s*(kg)?\s*$/.exec(text);
        return typed ? Math.round(Number(`${typed[1]}.${typed[2] || 0}`) * 1000) : 0;
    };
    const whole = (text) => (/^\s*\d+\s*$/.test(text) ? Number(text) : 0);

    function count() {
        let grams = 0;
        form.querySelectorAll(".crate").forEach((crate) => {
            const take = crate.querySelector(".crate-take input");
            if (!take.checked) return;
            const some = crate.querySelector('input[value="some"]').checked;
            const left = some ? kilograms(crate.querySelector(".crate-some input").value) : 0;
            grams += Math.max(0, Number(crate.dataset.grams) - left);
        });
        const nominal = whole(packs.value) * Number(form.dataset.nominal);
        const mean = Number(sums.dataset.mean);
        const over = (mean - Number(form.dataset.nominal)) * whole(packs.value);
        const given = mean ? Math.max(0, Math.round(over)) : 0;
        show("giveaway", mean ? `${given} g` : "–");
        const rest = grams - nominal - given - whole(document.getElementById("id_trim").value);
        show("in", `${grams} g`);
        show("nominal", `${nominal} g`);
        show("rest", `${rest} g`);
        show("called", rest < 0 ? "Water and scale" : "Trim, water and scale");
        form.querySelector('[data-sum="rest"]').parentElement.classList.toggle("is-short", rest < 0);
    }

    form.querySelectorAll(".step").forEach((button) => {
        button.hidden = false;
        button.addEventListener("click", () => {
            packs.value = Math.max(0, whole(packs.value) + Number(button.dataset.step));
            count();
        });
    });
    document.getElementById("id_weighed").addEventListener("input", () => {
        // what they come to is worked out where they are read: with the next look
        sums.dataset.mean = "";
    });
    form.addEventListener("input", count);
    form.addEventListener("change", count);
    count();
});
