// Hands a link on: to the device's own list of ways where the browser has one, else to the clipboard.

/** How it went: shared, closed, copied, or shown where the browser allows neither. */
export async function handOn(title, url) {
  if (navigator.share) {
    try {
      await navigator.share({ title, url });
      return "shared";
    } catch (error) {
      if (error.name === "AbortError") return "closed";
    }
  }
  try {
    await navigator.clipboard.writeText(url);
    return "copied";
  } catch {
    return "shown"; // without TLS a browser has no clipboard
  }
}

/** Whether an address means something only inside the shop's network. */
export function isInside(host) {
  const own = /^(localhost|127\.|10\.|192\.168\.|169\.254\.|172\.(1[6-9]|2\d|3[01])\.|\[?(::1|f[cde]))/i;
  return own.test(host) || /\.(local|lan|home|internal|home\.arpa)$/i.test(host) || !/[.:]/.test(host);
}
