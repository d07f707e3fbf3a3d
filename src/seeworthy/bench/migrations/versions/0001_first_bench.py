"""The first bench: cameras, takes, evidence, outcomes.

Revision ID: 0001
"""

from __future__ import annotations

import re
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_TYPES = {
    "int": sa.Integer, "big": sa.BigInteger, "real": sa.Double, "bool": sa.Boolean,
    "text": sa.Text, "date": sa.Date, "time": sa.DateTime, "json": sa.JSON,
}  # fmt: skip

# A table: its columns with their types ("?" may be empty) | foreign keys with what happens when
# their row goes | the columns that are its first (primary) key | unique ones | indices.
_TABLES = """
about: name:str64 value:text | first name
camera: id:int name:str200 maker:text note:text added:time version:int | first id | unique name
evidence: sha256:str64 size:big kept:text? place:text? added:time | first sha256
run: id:int started:time ended:time? host:text process:text seeworthy:text | first id
claim: id:int camera_id:int subject:str100 silent:bool text:text value:real? unit:text u:real?
  source:text version:int | key camera_id camera.id CASCADE | first id | unique camera_id subject |
  index camera_id
unit: id:int camera_id:int serial:str200 note:text version:int | key camera_id camera.id CASCADE |
  first id | unique camera_id serial | index camera_id
firmware: id:int unit_id:int name:str200 since:date | key unit_id unit.id CASCADE | first id |
  unique unit_id name | index unit_id
take: id:int unit_id:int procedure:str100 taken:date note:text added:time version:int | key unit_id
  unit.id CASCADE | first id | index procedure | index unit_id
condition: take_id:int name:str100 text:text value:real unit:text u:real | key take_id take.id
  CASCADE | first take_id name
lease: take_id:int run_id:int until:time | key run_id run.id CASCADE | key take_id take.id CASCADE |
  first take_id | index run_id
outcome: id:int take_id:int run_id:int? measured:time seconds:real procedure_version:int
  seeworthy:text inputs_key:str64 inputs:json state:str20 method:text sentence:text error_kind:text
  message:text hint:text | key run_id run.id SET NULL | key take_id take.id CASCADE | first id |
  unique take_id
reading: take_id:int position:int name:str100 text:text value:real? unit:text u:real? | key take_id
  take.id CASCADE | first take_id position
take_file: take_id:int position:int role:str100 name:text sha256:str64 | key sha256 evidence.sha256
  | key take_id take.id CASCADE | first take_id position | index sha256
take_option: take_id:int position:int name:str100 value:text | key take_id take.id CASCADE | first
  take_id position
figure: outcome_id:int position:int name:text body:json | key outcome_id outcome.id CASCADE | first
  outcome_id position
finding: outcome_id:int position:int name:str100 value:json | key outcome_id outcome.id CASCADE |
  first outcome_id position | index name
picture: outcome_id:int position:int name:text caption:text sha256:str64 | key outcome_id outcome.id
  CASCADE | key sha256 evidence.sha256 | first outcome_id position | index sha256
result: id:int outcome_id:int position:int measurand:str100 value:real unit:text u:real low:real
  high:real n:int conditions:json evidence:json | key outcome_id outcome.id CASCADE | first id |
  index measurand | index outcome_id
warning: outcome_id:int position:int text:text | key outcome_id outcome.id CASCADE | first
  outcome_id position
"""


def upgrade() -> None:
    """Make all tables."""
    for told in re.split(r"\n(?! )", _TABLES.strip()):
        columns, *rules = " ".join(told.split()).split(" | ")
        name, _, columns = columns.partition(": ")
        pairs = [rule.partition(" ") for rule in rules]
        made = [_rule(name, kind, words) for kind, _, words in pairs if kind != "index"]
        op.create_table(name, *map(_column, columns.split()), *made)
        for kind, _, column in pairs:
            if kind == "index":
                op.create_index(op.f(f"ix_{name}_{column}"), name, [column], unique=False)


def _column(told: str) -> sa.Column[Any]:
    name, kind = told.rstrip("?").split(":")
    size = re.fullmatch(r"str(\d+)", kind)
    made = sa.String(length=int(size[1])) if size else _TYPES[kind]()
    return sa.Column(name, made, nullable=told.endswith("?"))


def _rule(table: str, kind: str, words: str) -> sa.Constraint:
    if kind == "key":
        column, target, *gone = words.split(maxsplit=2)
        named = op.f(f"fk_{table}_{column}_{target.partition('.')[0]}")
        ondelete = gone[0] if gone else None
        return sa.ForeignKeyConstraint([column], [target], name=named, ondelete=ondelete)
    columns = words.split()
    if kind == "first":
        return sa.PrimaryKeyConstraint(*columns, name=op.f(f"pk_{table}"))
    return sa.UniqueConstraint(*columns, name=op.f(f"uq_{table}_{columns[0]}"))
