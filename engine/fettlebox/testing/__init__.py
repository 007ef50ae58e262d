"""For authors of steps: the plugin contract as checks that anyone can run, and small shapes to try a step on.

In a test of one's own, with pytest:

    from fettlebox.testing import contract

    @pytest.mark.parametrize("check", contract(lift, {"by": "12 mm"}), ids=str)
    def test_the_contract_of_lift(check):
        check()

Without pytest, `fettlebox plugin prove NAME` does the same for an installed step.
"""

from .additions import addition_contract
from .contract import Check, contract
from .formats import reader_contract, writer_contract
from .shapes import ball, brick, bust, bust_scan
from .watching import ContractError

__all__ = [
    "Check",
    "ContractError",
    "addition_contract",
    "ball",
    "brick",
    "bust",
    "bust_scan",
    "contract",
    "reader_contract",
    "writer_contract",
]
