// A worker that only counts. Browsers let the timers of a page that nobody sees run once a minute, those of a worker keep
// their pace; so it says when to renew the lease, and the page itself does it: a page that hangs still loses its lease.
"use strict";

onmessage = (asked) => setInterval(() => postMessage(null), asked.data);
