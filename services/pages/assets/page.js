// What every page can do with a script, and can be read without.
"use strict";

// csrf asks for the value that goes with a change beside the session's cookie.
async function csrf() {
  const answer = await fetch("/session", { headers: { Accept: "application/json" } });
  if (!answer.ok) throw new Error("signed out");
  return (await answer.json()).csrfToken;
}

for (const button of document.querySelectorAll("[data-signout]")) {
  button.hidden = false;
  button.addEventListener("click", async () => {
    try {
      await fetch("/session", { method: "DELETE", headers: { "X-CSRF-Token": await csrf() } });
    } finally {
      location.assign("/");
    }
  });
}

// A link from elsewhere comes without the session's cookie: who has one is led on.
const signin = document.querySelector("form[data-next]");
if (signin) {
  fetch("/session").then((answer) => { if (answer.ok) location.replace(signin.dataset.next); });
}
