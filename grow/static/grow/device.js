/* A shared device: keys to tap a PIN, and "still here" while somebody types. Without it the device
   works the same; then only what is sent counts as a press. */
"use strict";

(() => {
    const pin = document.getElementById("id_pin");
    const keys = document.querySelector(".pin-keys");
    if (pin && keys) {
        for (const key of ["1", "2", "3", "4", "5", "6", "7", "8", "9", "", "0", "⌫"]) {
            const button = document.createElement(key ? "button" : "span");
            if (key) {
                button.type = "button";
                button.textContent = key;
                if (key === "⌫") button.setAttribute("aria-label", "Take the last digit off");
                button.addEventListener("click", () => {
                    if (key === "⌫") pin.value = pin.value.slice(0, -1);
                    else if (pin.value.length < pin.maxLength) pin.value += key;
                });
            }
            keys.append(button);
        }
        keys.hidden = false;
        pin.inputMode = "none"; // the keys are on the page; a keyboard still works
    }

    if (document.getElementById("id_badge")) return; // nobody is signed in yet

    const next = document.getElementById("logout-form");
    const token = next && next.querySelector("input[name=csrfmiddlewaretoken]");
    if (!token) return;
    const address = (name) => new URL(`../${name}`, next.action);
    const minutes = 60000;
    let pressed = Date.now();
    let said = Date.now();
    let typed = false;
    const press = () => {
        pressed = Date.now();
        if (pressed - said < minutes) return;
        said = pressed;
        fetch(address("still/"), { method: "POST", headers: { "X-CSRFToken": token.value } });
    };
    document.addEventListener("pointerdown", press);
    document.addEventListener("keydown", press);
    document.addEventListener("input", () => { typed = true; });
    const watch = setInterval(() => {
        // what was typed stays: sent late, it waits for who typed it
        if (typed || Date.now() - pressed <= 5 * minutes) return;
        clearInterval(watch);
        location.assign(address(""));
    }, 5000);
})();
