"""Serving one farm: guard, workspace, drafts, runs, and the routes of pages and changes."""
