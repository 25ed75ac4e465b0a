"""The protocol of a planned study: what is declared, and what the plan can show, as document and PDF."""

from validator.dossier.protocol.building import RECORD_FILE, build_protocol, chances_table, protocol_pdf

__all__ = ["RECORD_FILE", "build_protocol", "chances_table", "protocol_pdf"]
