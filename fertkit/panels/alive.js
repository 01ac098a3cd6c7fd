// Watches the kernel behind the panels. When it is gone, the panels say so at once and take no more settings, for
// nothing would answer; the settings stay in the browser, and a page can begin again with them.
(() => {
  const kernel = "KERNEL", ours = `fertkit ${location.pathname}`;
  const config = JSON.parse(document.getElementById("jupyter-config-data")?.textContent || "{}");
  const alone = document.body.dataset.voila === "voila" || Boolean(config.kernelId); // a page, not a notebook
  const token = new URLSearchParams(location.search).get("token") || config.token;
  const at = new URL(`${config.baseUrl || "/"}api/kernels/${kernel}`, location.href);
  if (token) at.searchParams.set("token", token);
  const panels = () => [...document.querySelectorAll(".fertkit-panel")].filter((one) => one.querySelector(":scope > .fertkit-body"));
  const kept = (panel) => panel.querySelector(".fertkit-kept")?.textContent;

  const restore = () => {
    const settings = JSON.parse(sessionStorage.getItem(ours) || "null");
    if (!settings) return;
    const fields = panels().map((panel) => panel.querySelector(".fertkit-again input"));
    if (fields.length < settings.length || fields.some((field) => !field)) return void setTimeout(restore, 200);
    sessionStorage.removeItem(ours);
    fields.forEach((field, i) => {
      if (!settings[i]) return;
      field.value = settings[i];
      field.dispatchEvent(new Event("change", { bubbles: true }));
    });
  };

  const begin = () => {
    sessionStorage.setItem(ours, JSON.stringify(panels().map(kept)));
    location.reload();
  };

  const banner = () => {
    const says = document.createElement("div");
    says.className = "fertkit-banner fertkit-gone";
    says.setAttribute("role", "alert");
    const text = document.createElement("p");
    text.textContent = alone
      ? "The calculation behind this page has ended. What you see is its last answer; it follows no setting any more. A file you opened has to be opened again."
      : "The kernel was restarted or has ended. What you see is the last answer; it follows no setting any more. Run the cells again from the top.";
    says.append(text);
    if (alone) {
      const button = document.createElement("button");
      button.className = "jupyter-button fertkit-button";
      button.textContent = "Begin again with these settings";
      button.addEventListener("click", begin);
      says.append(button);
    }
    return says;
  };

  let dead = false;
  const gone = () => {
    if (dead) return;
    dead = true;
    at_it(false);
    panels().forEach((panel) => {
      [...panel.children].filter((child) => !child.matches(".fertkit-gone")).forEach((child) => {
        child.inert = true;
        child.classList.add("fertkit-old");
      });
      const place = panel.closest(".jp-NotebookPanel") || panel; // below a notebook, where it stays in view
      if (!place.querySelector(":scope > .fertkit-gone")) place.prepend(banner());
    });
  };

  // A notebook run again has new panels: what was said of the old ones goes with the last of them.
  const tidy = () => document.querySelectorAll(".jp-NotebookPanel > .fertkit-gone").forEach((says) => {
    if (!says.parentElement.querySelector(".fertkit-panel > [inert]")) says.remove();
  });
  setTimeout(tidy, 1000);

  // What takes long says that it is at it: the answer on show is still that of the settings before.
  let slow;
  const at_it = (busy) => {
    clearTimeout(slow);
    if (busy) slow = setTimeout(() => document.body.classList.add("fertkit-busy"), 700);
    else document.body.classList.remove("fertkit-busy");
  };

  const exists = () => fetch(at, { cache: "no-store" }).then((answer) => answer.status !== 404, () => false);
  const watch = () => {
    const line = new URL(at);
    line.pathname += "/channels";
    line.protocol = line.protocol.replace("http", "ws");
    const socket = new WebSocket(line, "v1.kernel.websocket.jupyter.org"); // the server hands messages on as they are
    socket.onmessage = async ({ data }) => {
      if (data.size > 2000) return; // a figure: what tells a state is short
      const state = /"execution_state": ?"(\w+)"/.exec(await data.text())?.[1];
      if (alone && ["busy", "idle"].includes(state)) at_it(state === "busy");
      if (["starting", "restarting", "autorestarting", "dead"].includes(state)) gone();
    };
    socket.onclose = async () => (await exists()) ? setTimeout(watch, 1000) : gone();
    addEventListener("pagehide", () => { dead = true; socket.onclose = null; socket.close(); });
  };
  setTimeout(watch, 1000); // the first answer comes first
  // A kernel that the server ends, as one that idled too long, closes no socket and says nothing.
  const looking = setInterval(() => dead ? clearInterval(looking)
    : fetch(at, { cache: "no-store" }).then((answer) => answer.status === 404 && gone(), () => {}), 15000);
  if (alone && !window.fertkitRestored) {
    window.fertkitRestored = true;
    restore();
  }
})();
