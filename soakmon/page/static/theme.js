// Before anything is drawn, and as the night comes: dark by night, or as chosen on this device.
(() => {
  const paint = () => {
    const choice = localStorage.getItem("theme") || "auto";
    const hour = new Date().getHours();
    const night = hour >= 20 || hour < 7 || matchMedia("(prefers-color-scheme: dark)").matches;
    const dark = choice === "dark" || (choice === "auto" && night);
    document.documentElement.dataset.theme = dark ? "dark" : "light";
  };
  paint();
  setInterval(paint, 60_000);
})();
