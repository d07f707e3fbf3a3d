"""Reports: one self-contained file per camera, figures, data export."""
