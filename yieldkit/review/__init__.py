"""Pages, workbooks and tables of the weekly review."""
