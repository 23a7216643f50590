"""Files of numbers for each data grid: which cell is which reading."""
