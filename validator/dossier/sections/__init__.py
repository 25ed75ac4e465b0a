"""The sections of the dossier; ``order`` lists them."""
