/* What a scanner types reaches the page's first field: the browser itself gives it the cursor only
   with the first picture, some keys too late, and never again once a finger took it away. Without
   this a field is tapped first. */
"use strict";

(() => {
    const field = document.querySelector("[autofocus]");
    if (!field) return;
    const free = () => document.activeElement === document.body || !document.activeElement;
    if (free()) field.focus();
    document.addEventListener("keydown", (event) => {
        const types = event.key.length === 1 && event.key !== " ";
        if (free() && types && !event.ctrlKey && !event.metaKey && !event.altKey) field.focus();
    });
})();
