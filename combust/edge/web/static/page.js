// Drafts, the queue and the watch come here. Everything works without it.
"use strict";
