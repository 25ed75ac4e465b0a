"""Statistics on plain arrays. No files, no study model, no guidance, no text for reports."""
