/* A list that is searched while one types has no name of its own: it gets that of its field. */
"use strict";

(() => {
    const $ = window.django && window.django.jQuery;
    if (!$) return;

    function named(select) {
        const label = document.querySelector(`label[for="${select.id}"]`);
        return label ? label.textContent.trim().replace(/:$/, "") : select.name;
    }

    function name(select) {
        const shown = select.nextElementSibling;
        if (!shown || !shown.matches(".select2")) return;
        for (const one of shown.querySelectorAll("[role=combobox], [role=textbox], input")) {
            one.removeAttribute("aria-labelledby");
            one.setAttribute("aria-label", named(select));
        }
    }

    const all = () => document.querySelectorAll("select.admin-autocomplete").forEach(name);
    $(() => setTimeout(all)); // after the lists themselves, which are made when the page is ready
    document.addEventListener("formset:added", () => setTimeout(all));
    $(document).on("select2:open", (event) => {
        const search = document.querySelector(".select2-container--open .select2-search__field");
        if (search) search.setAttribute("aria-label", named(event.target));
    });
})();
