"""The study as frozen records, one module per topic. No files, no numerics, no guidance."""
