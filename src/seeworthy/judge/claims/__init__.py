"""Claims: what a seller says, held against what was measured."""
