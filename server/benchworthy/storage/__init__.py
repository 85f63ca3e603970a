"""Tables, migrations and units of work (SQLAlchemy Core). Rows become plain values by hand."""
