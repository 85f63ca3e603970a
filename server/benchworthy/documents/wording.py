"""What every certificate and loan slip says, whoever the board is. Cautions defer to local codes and licensed practice."""

from typing import Final

TITLE: Final = "Certificate of fitness to lend"
VIRTUAL: Final = "VIRTUAL"
VIRTUAL_MEANS: Final = "This board is a simulation. Nothing was measured on hardware."
NO_INSPECTION: Final = "Nothing here is an accredited calibration or a mains-safety inspection."
WAIVED: Final = "Let go by a waiver: these tests are not in limits"
ONE_PERSON: Final = "One person"
ONLY_THIS_BOARD: Final = (
    "It speaks of this board with this module, as it was tested, and ends early when it lapses or is withdrawn. "
    "People stand here by their codes, not by their names."
)

CAUTIONS: Final = (
    "Low voltage only: power the board by its USB lead or by an approved, labelled mains adapter. Never open or repair an "
    "adapter; whatever has to do with the mains belongs to a competent or licensed person under your local rules.",
    "No lithium-ion cells. A hot or swollen battery goes to a place outside at once; tell the staff.",
    "An output may switch a motor: keep hair, sleeves and fingers away, and give the motor a way to be stopped.",
    "Whoever solders on this board lets the certificate lapse. A soldering iron burns at about 350 °C; extract the fumes, wear "
    "eye protection when leads are cut, wash your hands, and follow your local rules for lead and flux.",
)

SLIP_WORKS: Final = (
    "Plug in the USB lead: the blue and the amber lamp light up.",
    "The status lamp blinks and the sounder plays one tone.",
)
SLIP_NEVER: Final = (
    "No other adapter than the one in the box.",
    "No lithium-ion cells, ever.",
    "No 5 V into the signal pins.",
    "Do not leave a servo or motor blocked.",
)
SLIP_CAUTIONS: Final = (
    "If it smells, smokes or gets hot: pull the USB lead and the adapter, then tell us.",
    "A hot or swollen battery goes outside at once; tell a grown-up or the staff.",
    "Motors turn without warning: keep hair, sleeves and fingers away.",
    "Never open a mains adapter. Follow the rules of your place.",
)
SLIP_TELL: Final = "Something odd? Tell us, also if you caused it: nobody is blamed, and the next borrower is glad."
SLIP_WIPE: Final = "Your own programs are wiped when the board comes back: keep a copy."
