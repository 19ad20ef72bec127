"""The pages: they call `audit.api` and nothing behind it."""
