"""Ground: errors, units, quantities, uncertainty, measurands, results."""
