"""Server-rendered pages. Empty until the bench, desk and fleet pages are built."""
