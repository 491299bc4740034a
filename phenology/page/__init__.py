"""The local page: one study in the browser, served to this machine alone."""
