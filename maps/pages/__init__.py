"""The pages of the browser app: one module a page, each a context for the template of its name."""
