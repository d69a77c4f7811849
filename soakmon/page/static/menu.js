// The row of views: what does not fit into one line, in this language and size of letters, goes behind the last word.
const more = document.getElementById("more");
const nav = more?.parentElement;
const row = nav ? [...nav.children].filter((link) => link !== more) : [];

function fit() {
  more.before(...row);
  const first = row[0];
  for (const link of row.slice(1).toReversed()) {
    if (more.offsetTop === first.offsetTop) break;
    more.lastElementChild.prepend(link);
  }
  more.firstElementChild.classList.toggle("here", more.querySelector("[aria-current]") !== null);
}

if (more) {
  document.addEventListener("click", (event) => {
    if (!more.contains(event.target)) more.open = false;
  });
  more.addEventListener("keydown", (event) => {
    if (event.key !== "Escape" || !more.open) return;
    more.open = false;
    more.querySelector("summary").focus();
  });
  let width = 0;
  let letters = 0;
  // Only when something has changed that matters: a link that moves loses the focus.
  new ResizeObserver(() => {
    const [wide, high] = [nav.clientWidth, row[0].offsetHeight];
    if (wide === width && high === letters) return;
    [width, letters] = [wide, high];
    fit();
  }).observe(nav);
}
