"use strict";
for (const b of document.querySelectorAll("[data-print]")) { b.hidden = false; b.addEventListener("click", () => print()); }
