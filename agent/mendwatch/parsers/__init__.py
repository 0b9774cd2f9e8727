"""One storage system a module: which readings it wants, and a pure ``parse``."""
