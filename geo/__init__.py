"""The flow."""
