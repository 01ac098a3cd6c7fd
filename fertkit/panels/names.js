// Says aloud what the core widgets only show: the name of each slider handle, and which view button is pressed.
// Takes the count of files off the upload buttons: a panel keeps none, so it would always be 0.
// Presses a button also when the page moved under the pointer: leaving a number box may draw the figure anew.
(() => {
  if (window.fertkitNames) return;
  window.fertkitNames = true;
  const say = (element, attribute, text) =>
    element.getAttribute(attribute) === text || element.setAttribute(attribute, text);
  const tell = () => {
    document.querySelectorAll(".fertkit-pair").forEach((pair) => {
      const label = pair.querySelector("label");
      const handle = pair.querySelector(".noUi-handle");
      if (label && handle) say(handle, "aria-label", "Slider: " + label.textContent);
    });
    document.querySelectorAll(".fertkit-panel .widget-upload").forEach((button) => {
      const text = button.lastChild;
      if (text && text.nodeType === Node.TEXT_NODE) text.data = text.data.replace(/ \(0\)$/, "");
    });
    document.querySelectorAll(".fertkit-look button").forEach((button) =>
      say(button, "aria-pressed", String(button.classList.contains("mod-active"))));
  };
  // A narrow page says how wide its figures may be; a wide one leaves them as they are.
  const fit = () => document.querySelectorAll(".fertkit-answer").forEach((answer) => {
    const field = answer.closest(".fertkit-panel").querySelector(".fertkit-room input");
    const wide = answer.clientWidth || answer.parentElement.clientWidth; // above the controls it has no box of its own
    const room = wide < 640 ? Math.floor(wide / 20) * 20 : 10000;
    if (!field || !wide || field.value === String(room) || (!field.value && room === 10000)) return;
    field.value = room;
    field.dispatchEvent(new Event("change", { bubbles: true }));
  });
  // What is wider or longer than its box says so: a telephone shows no bar to scroll by.
  const beyond = () => document.querySelectorAll(".fertkit-scroll, .fertkit-wide").forEach((box) => {
    box.classList.toggle("fertkit-sideways", box.scrollWidth > box.clientWidth + 1);
    box.classList.toggle("fertkit-downward", box.matches(".fertkit-scroll") && box.scrollHeight > box.clientHeight + 1);
  });
  // A mark drawn by lot and kept by the browser: who loads a page again is not counted twice in a room.
  const mark = () => {
    try {
      const drawn = [...crypto.getRandomValues(new Uint32Array(3))].map((one) => one.toString(36)).join("");
      localStorage.fertkitSeat ||= drawn;
      return localStorage.fertkitSeat;
    } catch {
      return ""; // a browser that keeps nothing
    }
  };
  const sit = () => document.querySelectorAll(".fertkit-seat input").forEach((field) => {
    if (field.value) return;
    field.value = mark();
    field.dispatchEvent(new Event("change", { bubbles: true }));
  });
  let resting;
  const later = () => { clearTimeout(resting); resting = setTimeout(() => { fit(); beyond(); }, 300); };
  addEventListener("resize", later);
  let pressed = null;
  document.addEventListener("pointerdown", (event) => {
    const button = event.target.closest(".fertkit-panel button");
    pressed = button && { button, x: event.clientX, y: event.clientY };
  }, true);
  document.addEventListener("pointerup", (event) => {
    if (!pressed) return;
    const { button, x, y } = pressed;
    pressed = null;
    const stayed = Math.hypot(event.clientX - x, event.clientY - y) < 6;
    if (stayed && !button.contains(event.target)) button.click();
  }, true);
  new MutationObserver(() => { tell(); sit(); later(); }).observe(document.body, { childList: true, subtree: true, attributeFilter: ["class"] });
  tell();
  sit();
})();
