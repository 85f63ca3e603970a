"""The REST interface under /api/v1. A view loads by schema, calls the core once and dumps by schema."""
