/* What makes an act's form quick: a scanner's Enter, steps, the weigh pad, a tower opened out.
   Every form works without it; it only writes into fields that stand on the page anyway. */
"use strict";

(() => {
    const form = document.querySelector("form.act");
    if (!form) return;
    const all = (what, where = form) => [...where.querySelectorAll(what)];
    const folded = (text) => text.replace(/[\s-]/g, "").toUpperCase();

    /* A refusal is read first. */
    const refusal = document.getElementById("refusal");
    if (refusal) refusal.focus();

    /* One press is one entry; the hidden id sees to it, this only says so. */
    let sent = false;
    form.addEventListener("submit", (event) => {
        if (sent) { event.preventDefault(); return; }
        sent = true;
        all(".act-button").forEach((b) => b.setAttribute("aria-disabled", "true"));
    });
    window.addEventListener("pageshow", () => {
        sent = false;
        all(".act-button").forEach((b) => b.removeAttribute("aria-disabled"));
    });

    /* A scanner types a code and presses Enter: that chooses, it does not send. */
    form.addEventListener("keydown", (event) => {
        const field = event.target;
        if (event.key !== "Enter" || !(field instanceof HTMLInputElement)) return;
        if (["submit", "button", "file"].includes(field.type)) return;
        event.preventDefault();
        if (field.classList.contains("code")) scanned(field);
        else next(field);
    });

    function scanned(field) {
        const code = field.value;
        if (!folded(code)) return;
        /* An address on a label holds the code between its slashes. */
        const held = /[/(]/.test(code) ? code.split(/[^A-Za-z0-9-]+/) : [code];
        const codes = held.map(folded);
        const ask = field.closest(".ask");
        const here = ask && all("[data-code]", ask).find((one) => codes.includes(folded(one.dataset.code)));
        if (!here) { next(field); return; }
        const fold = here.closest("details.further");
        if (fold) fold.open = true;
        const choice = here.matches(".card") && here.querySelector("input");
        if (choice) {
            choice.checked = true;
            choice.dispatchEvent(new Event("change", { bubbles: true }));
            field.value = "";
            here.scrollIntoView({ block: "nearest" });
        } else {
            field.value = "";
            const first = here.querySelector(".row-cells input:not([type=hidden])");
            if (first) { first.focus(); here.scrollIntoView({ block: "center" }); }
        }
    }

    function next(field) {
        const stops = all("input:not([type=hidden]), select, textarea, button").filter(
            (one) => !one.disabled && one.offsetParent !== null
        );
        const after = stops[stops.indexOf(field) + 1];
        if (after) after.focus();
    }

    /* − and + */
    all(".step").forEach((button) => {
        button.hidden = false;
        button.addEventListener("click", () => {
            const field = button.parentElement.querySelector("input");
            const now = parseInt(field.value, 10) || 0;
            field.value = Math.max(0, now + Number(button.dataset.step));
            field.dispatchEvent(new Event("change", { bubbles: true }));
        });
    });

    /* The unit of what was chosen: leaf is weighed in kg, packs and plants are counted. */
    function units() {
        const chosen = form.querySelector(".card input:checked");
        const unit = chosen && chosen.closest(".card").dataset.unit;
        if (!unit) return;
        all(".ask > .with-unit > .unit-of-lot, .steps .unit-of-lot").forEach((one) => {
            one.textContent = unit === "g" ? "kg" : unit === "each" ? "" : unit;
        });
    }

    /* A lot is where it stands: choosing it says from where. */
    function whence(choice) {
        const card = choice.closest(".card");
        if (!card || !choice.checked || !card.dataset.place) return;
        for (const name of ["from_place", "place"]) {
            if (choice.name !== "lot" && choice.name !== "batch") return;
            const radios = all(`input[name="${name}"]`);
            const same = radios.find((r) => r.value === card.dataset.place);
            const list = form.querySelector(`select[name="${name}"]`);
            if (same) same.checked = true;
            else if (list && [...list.options].some((o) => o.value === card.dataset.place)) {
                list.value = card.dataset.place;
            }
        }
    }

    /* A row that says something stands out. */
    function mark(row) {
        const cells = all(".row-cells input:not([type=hidden]), .row-cells select", row);
        const filled = cells.some((c) => (c.type === "radio" ? c.checked && c.value : c.value));
        row.classList.toggle("is-filled", filled);
    }
    all(".row").forEach((row) => { if (!row.matches(".row-open")) mark(row); });

    /* Writing what is left says "some left"; saying "some left" asks how much. */
    function left(field) {
        const cell = field.closest(".cell-left");
        if (!cell) return;
        const amount = cell.querySelector("input[type=text]");
        if (field === amount && amount.value) {
            cell.querySelector('input[value="some"]').checked = true;
        } else if (field.type === "radio" && field.value === "some") amount.focus();
        else if (field.type === "radio") amount.value = "";
    }

    /* Sowings of the crop that is chosen; places at which the chosen sowings stand. */
    const crops = all('input[name="crop"]');
    const cards = all('input[name="batches"], input[name="batch"]').map((one) => one.closest(".card"));
    const from = form.matches(".act-harvest") ? ["towers"] : ["places", "place", "from_place"];
    const places = cards.length ? from.flatMap((name) => all(`.chip input[name="${name}"]`)) : [];
    const lists = cards.length ? from.flatMap((name) => all(`select[name="${name}"]`)) : [];

    function narrow() {
        const crop = crops.find((one) => one.checked);
        cards.forEach((card) => {
            const other = crops.length > 0 && crop && card.dataset.crop !== crop.value;
            card.hidden = Boolean(other);
            if (other) card.querySelector("input").checked = false;
        });
        const on = standing();
        /* A hundred sowings are no choice: they come when the crop is said. */
        if (crops.length && cards.length) {
            cards[0].closest(".cards").hidden = !crop && !on.size;
            all(".ask-cards details.further").forEach((fold) => {
                fold.hidden = !crop || !fold.querySelector(".card:not([hidden])");
                if (crop) fold.open = true;
                fold.querySelector("summary").hidden = Boolean(crop);
            });
        }
        if (!cards.length) return;
        const asks = new Set(places.map((one) => one.closest(".ask")));
        if (form.matches(".act-harvest, .act-clear")) {
            [...asks, ...all(".ask-sites")].forEach((ask) => { ask.hidden = !on.size; });
        }
        places.forEach((one) => {
            one.closest(".chip").hidden = on.size > 0 && !on.has(one.value);
            if (one.closest(".chip").hidden) one.checked = false;
        });
        /* The only place that is left is the one. */
        from.forEach((name) => {
            const left = places.filter((one) => one.name === name && !one.closest(".chip").hidden);
            if (on.size && left.length === 1 && left[0].type === "radio") left[0].checked = true;
        });
        lists.forEach((list) => {
            [...list.options].forEach((option) => {
                option.hidden = on.size > 0 && option.value !== "" && !on.has(option.value);
            });
            if (list.selectedOptions[0] && list.selectedOptions[0].hidden) list.value = "";
            if (on.size === 1 && !list.value) list.value = [...on][0];
        });
    }

    function standing() {
        const chosen = cards.filter((card) => card.querySelector("input").checked);
        return new Set(chosen.flatMap((card) => card.dataset.on.split("|")).filter(Boolean));
    }

    /* One sowing chosen in a list of sowings says its crop. */
    function itsCrop(choice) {
        const card = choice.closest(".card");
        if (choice.name !== "batches" || !choice.checked || crops.some((c) => c.checked)) return;
        const same = crops.find((c) => c.value === card.dataset.crop);
        if (same) same.checked = true;
    }

    /* A tower opened out: tiers from the top, a button a site. */
    const shape = document.getElementById("towers-as-built");
    const built = shape ? JSON.parse(shape.textContent) : [];

    function maps() {
        const named = all('input[name="towers"]:checked, input[name="places"]:checked, input[name="place"]:checked').map((b) => b.value);
        all('select[name="place"], select[name="places"]').forEach((s) => named.push(s.value));
        const wanted = named.length ? new Set(named) : standing();
        all(".site-map").forEach((map) => draw(map, built.filter((t) => wanted.has(t.name))));
    }

    function draw(map, shown) {
        const field = document.getElementById(map.dataset.for);
        const said = () => new Set(field.value.split(",").map((s) => s.trim()).filter(Boolean));
        map.replaceChildren(...shown.map((tower) => {
            const box = document.createElement("div");
            const name = document.createElement("p");
            name.className = "tower-name";
            name.textContent = tower.name;
            const tiers = document.createElement("div");
            tiers.className = "tower-tiers";
            for (let tier = tower.tiers; tier >= 1; tier -= 1) {
                const line = document.createElement("div");
                line.className = "tier";
                const number = document.createElement("span");
                number.className = "tier-name";
                number.textContent = tier;
                line.append(number);
                for (let position = 1; position <= tower.round; position += 1) {
                    const site = `${tower.name} ${tier}/${position}`;
                    const button = document.createElement("button");
                    button.type = "button";
                    button.className = "site";
                    button.textContent = position;
                    button.setAttribute("aria-label", site);
                    button.setAttribute("aria-pressed", said().has(site));
                    button.addEventListener("click", () => {
                        const sites = said();
                        if (!sites.delete(site)) sites.add(site);
                        field.value = [...sites].join(", ");
                        button.setAttribute("aria-pressed", sites.has(site));
                        const says = map.closest("details").querySelector(".fold-says");
                        if (says) says.textContent = sites.size ? `${sites.size} sites` : "";
                    });
                    line.append(button);
                }
                tiers.append(line);
            }
            box.append(name, tiers);
            return box;
        }));
    }

    form.addEventListener("change", (event) => {
        const field = event.target;
        if (field.closest(".card")) { whence(field); itsCrop(field); units(); }
        left(field);
        const row = field.closest(".row");
        if (row) mark(row);
        narrow();
        maps();
    });
    form.addEventListener("input", (event) => {
        left(event.target);
        const row = event.target.closest(".row");
        if (row) mark(row);
    });
    narrow();
    units();
    maps();

    /* The weigh pad ----------------------------------------------------------------------------- */

    const pad = form.querySelector("[data-weighpad]");
    if (pad) weighPad(pad);

    function weighPad(box) {
        const plain = box.querySelector("textarea");
        const tare = box.querySelector(".tare input");
        const weight = box.querySelector(".pad-weight");
        const tag = box.querySelector(".pad-code");
        const KEPT = "crate-tare-kg";
        const number = (text) => {
            const found = /^\s*(\d{1,6}(?:[.,]\d{1,3})?)\s*(kg|g)?\s*$/i.exec(text);
            if (!found) return NaN;
            const value = Number(found[1].replace(",", "."));
            return (found[2] || "").toLowerCase() === "g" ? value / 1000 : value;
        };

        /* The tare of this device's crates, else that of the last cut. */
        try {
            const kept = localStorage.getItem(KEPT);
            if (kept !== null && !refusal) tare.value = kept;
            tare.addEventListener("change", () => localStorage.setItem(KEPT, tare.value));
        } catch { /* a browser that keeps nothing: the last cut's tare stands */ }

        let crates = plain.value.split(/[;\n+]|,\s+|,$/).map((one) => one.trim()).filter(Boolean);

        function show() {
            const gross = crates.map((one) => number(one.split(" ")[0]));
            const each = number(tare.value) || 0;
            const net = gross.reduce((sum, kg) => sum + (Number.isNaN(kg) ? 0 : kg - each), 0);
            box.querySelector(".net-figure").textContent = net.toFixed(3).replace(/\.?0+$/, "");
            box.querySelector(".net-of").textContent = crates.length
                ? `${crates.length} ${crates.length === 1 ? "crate" : "crates"}, ${each} kg taken off each`
                : "No crate weighed yet";
            box.querySelector(".crates").replaceChildren(...crates.map((one, n) => {
                const item = document.createElement("li");
                const button = document.createElement("button");
                button.type = "button";
                button.textContent = `${one} ✕`;
                button.setAttribute("aria-label", `Take crate ${one} off again`);
                button.addEventListener("click", () => { crates.splice(n, 1); show(); });
                item.append(button);
                return item;
            }));
            plain.value = crates.join("\n");
        }

        function add() {
            const text = weight.value.trim();
            if (!text) { weight.focus(); return; }
            crates.push([text, tag.value.trim()].filter(Boolean).join(" "));
            weight.value = "";
            tag.value = "";
            show();
        }

        const keys = box.querySelector(".keys");
        for (const key of ["1", "2", "3", "4", "5", "6", "7", "8", "9", ".", "0", "⌫"]) {
            const button = document.createElement("button");
            button.type = "button";
            button.textContent = key;
            if (key === "⌫") button.setAttribute("aria-label", "Rub out");
            button.addEventListener("click", () => {
                weight.value = key === "⌫" ? weight.value.slice(0, -1) : weight.value + key;
            });
            keys.append(button);
        }
        /* A mouse and a keyboard need no keys on the screen, but a scale that types does. */
        weight.addEventListener("keydown", (event) => {
            if (event.key === "Enter") { event.preventDefault(); event.stopPropagation(); add(); }
        });
        tag.addEventListener("keydown", (event) => {
            if (event.key !== "Enter") return;
            event.preventDefault();
            event.stopPropagation();
            if (weight.value.trim()) add(); else weight.focus();
        });
        box.querySelector(".add-crate").addEventListener("click", add);
        tare.addEventListener("input", show);
        /* What stands on the display and was not added is a crate all the same. */
        form.addEventListener("submit", () => { if (weight.value.trim()) add(); }, { capture: true });

        all("[hidden]", box).forEach((one) => { one.hidden = false; });
        box.classList.add("is-live");
        show();
    }
})();
