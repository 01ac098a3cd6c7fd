// For each piece of text in the panels: what it is, its font size in px and its contrast against what lies
// behind it, by the relative luminance and contrast ratio of WCAG 2.2 (W3C Recommendation, 2023).
() => {
  const channel = (v) => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
  const luminance = ([r, g, b]) => 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
  const numbers = (colour) => colour.match(/[\d.]+/g).map(Number);
  const behind = (element) => {
    for (; element; element = element.parentElement) {
      const colour = numbers(getComputedStyle(element).backgroundColor);
      if (colour.length < 4 || colour[3] > 0) return colour.slice(0, 3);
    }
    return [255, 255, 255];
  };
  const seen = (element) => element.getClientRects().length && !element.closest("style, option");
  const written = (element) =>
    element.matches("input, select") ||
    [...element.childNodes].some((node) => node.nodeType === Node.TEXT_NODE && node.textContent.trim());
  return [...document.querySelectorAll(".fertkit-panel *")].filter((e) => seen(e) && written(e)).map((element) => {
    const style = getComputedStyle(element);
    const [a, b] = [numbers(style.color).slice(0, 3), behind(element)].map(luminance);
    const what = `${element.className} ${element.textContent.trim().slice(0, 40)}`;
    return [what, parseFloat(style.fontSize), (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05)];
  });
}
