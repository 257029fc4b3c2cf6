"""A head is made of its row by place."""

from dataclasses import fields

from zoneledger.application.stored import Head
from zoneledger.storage import tables as t


def test_the_columns_of_a_head_are_in_the_order_of_its_fields() -> None:
    assert [column.name for column in t.heads.columns] == [field.name for field in fields(Head)]
