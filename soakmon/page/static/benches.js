// All benches that the broker knows, on the page of a bench.
import { refresh } from "./benchlist.js";
import { watch } from "./live.js";

watch(() => refresh().catch(() => {}));
