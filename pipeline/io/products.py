"""Writing and reading products: one door to tables, images and small files."""

from pipeline.io.atomic import replace_file, write_bytes, write_text
from pipeline.io.cards import make_bit_cards, make_header, make_site_cards, make_time_cards
from pipeline.io.images import ImageSink, read_image, stream_image, write_image
from pipeline.io.provenance import Provenance, checksum_file, checksum_raw, make_provenance
from pipeline.io.solution import read_json, write_json
from pipeline.io.tables import read_table, read_table_meta, write_table

__all__ = [
    "ImageSink",
    "Provenance",
    "checksum_file",
    "checksum_raw",
    "make_bit_cards",
    "make_header",
    "make_provenance",
    "make_site_cards",
    "make_time_cards",
    "read_image",
    "read_json",
    "read_table",
    "read_table_meta",
    "replace_file",
    "stream_image",
    "write_bytes",
    "write_image",
    "write_json",
    "write_table",
    "write_text",
]
