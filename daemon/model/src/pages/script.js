// Comfort only: every page works without this. Nothing is loaded from elsewhere.
"use strict";
