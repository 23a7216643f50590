"""Contents of figures, tables, reports and archives."""
