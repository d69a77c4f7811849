// The two buttons that matter stay under the thumb; where they would hide the verdict, they follow it.
const MOST = 0.2; // of the height that is seen

/** bar: of the buttons; verdict: the box; last: what of it must be seen above the bar. */
export function keepUnderThumb(bar, verdict, last) {
  let height = 0; // of the bar where it sticks
  const fit = () => {
    const flowing = bar.classList.contains("flows");
    if (!flowing) height = bar.offsetHeight;
    const end = last.getBoundingClientRect().bottom + scrollY;
    const flows = height > MOST * innerHeight || end > innerHeight - height;
    if (flows === flowing) return;
    bar.classList.toggle("flows", flows);
    if (flows) verdict.after(bar);
    else document.body.append(bar);
  };
  const seen = new ResizeObserver(fit);
  seen.observe(bar);
  seen.observe(verdict);
  window.addEventListener("resize", fit);
}
