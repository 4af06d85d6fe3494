// Starts the app. A file of its own, so that the page has no inline script and its policy can forbid them.
// A phone that has joined before dials while the app is still on its way; socket.rs takes the line over, or dials its own. Nothing is
// said on it before.
try {
  if (localStorage.getItem("spinover.name")) globalThis.spinoverLine = new WebSocket(location.origin.replace(/^http/, "ws") + "/ws", "spinover.json.1");
} catch {
  // The app dials by itself.
}
// A fault in the app leaves it standing, with numbers that get old and do not say so: the page is covered until it is loaded anew. The
// app may not be able to say in which language.
addEventListener("error", ({ error }) => {
  if (!(error instanceof WebAssembly.RuntimeError) || document.querySelector(".stopped")) return;
  const cover = document.createElement("div");
  cover.className = "stopped";
  cover.setAttribute("role", "alertdialog");
  for (const [tag, words] of [["p", "This page has stopped. What it showed is old."], ["p", "Esta página se ha parado. Lo que mostraba es viejo."], ["button", "Load it again · Cargar otra vez"]]) {
    const part = document.createElement(tag);
    part.textContent = words;
    cover.append(part);
  }
  const key = cover.lastChild;
  key.className = "key";
  key.onclick = () => location.reload();
  document.body.append(cover);
  key.focus();
});
import("/spinover-web-ui.js").then(({ default: init }) => init({ module_or_path: "/spinover-web-ui_bg.wasm" })).catch((error) => {
  const words = document.createElement("p");
  words.className = "start-failed";
  words.textContent = "Spinover could not start in this browser: " + error;
  document.body.append(words);
});
// A refusal costs a page that says "no link", which the browser's own then stands for.
navigator.serviceWorker?.register("/no-link.js").catch(() => {});
