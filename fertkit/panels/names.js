// Says aloud what the core widgets only show: the name of each slider handle, and which view button is pressed.
// Takes the count of files off the upload buttons: a panel keeps none, so it would always be 0.
(() => {
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
  new MutationObserver(tell).observe(document.body, { childList: true, subtree: true, attributeFilter: ["class"] });
  tell();
})();
