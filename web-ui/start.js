// Starts the app. A file of its own, so that the page has no inline script and its policy can forbid them.
import init from "/spinover-web-ui.js";
init({ module_or_path: "/spinover-web-ui_bg.wasm" }).catch((error) => {
  const words = document.createElement("p");
  words.className = "start-failed";
  words.textContent = "Spinover could not start in this browser: " + error;
  document.body.append(words);
});
// A refusal costs a page that says "no link", which the browser's own then stands for.
navigator.serviceWorker?.register("/no-link.js").catch(() => {});
