// The two buttons that matter stay under the thumb; where they would hide the verdict, they follow it.
const MOST = 0.2; // of the height that is seen

export function keepUnderThumb(bar, verdict) {
  const fit = () => {
    const flows = bar.offsetHeight > MOST * innerHeight;
    if (flows === bar.classList.contains("flows")) return;
    bar.classList.toggle("flows", flows);
    if (flows) verdict.after(bar);
    else document.body.append(bar);
  };
  new ResizeObserver(fit).observe(bar);
  window.addEventListener("resize", fit);
}
