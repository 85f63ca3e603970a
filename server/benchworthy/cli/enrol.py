"""`benchworthy enrol`."""

import argparse

from benchworthy.cli import service
from benchworthy.intake import label


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("serial", help="serial number from the label, with its check character")
    parser.add_argument("--design", required=True, help="name of the design, such as tarn-b")
    parser.add_argument("--virtual", action="store_true", help="the board is a simulation; for ever")
    parser.add_argument("--kit-lot")
    parser.add_argument("--inventory-ref")
    service.arguments(parser)


def run(options: argparse.Namespace) -> int:
    """Print the field key, which is told once."""
    body = {
        "serial": label.parse(options.serial),
        "design": options.design,
        "virtual": options.virtual,
        "kit_lot": options.kit_lot,
        "inventory_ref": options.inventory_ref,
    }
    answer = service.connect(options).post("/api/v1/boards", {k: v for k, v in body.items() if v is not None})
    service.show(options, answer, f"{answer['serial']} enrolled as {answer['design']}; field key {answer['field_key']}")
    return 0
