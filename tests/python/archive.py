"""An archive to ask: DICOM Query/Retrieve by pynetdicom over a list of data sets, with bad habits.

Matching is that of PS3.4 C.2.2.2 as far as it is needed: single values, UID lists, ranges of dates and
times, universal. What it sends is encoded anew by pydicom.
"""

from dataclasses import dataclass, field

import pydicom
from pydicom.dataset import Dataset
from pynetdicom import AE, evt
from pynetdicom.sop_class import (
    StudyRootQueryRetrieveInformationModelFind as FIND,
    StudyRootQueryRetrieveInformationModelGet as GET,
    StudyRootQueryRetrieveInformationModelMove as MOVE,
)

SYNTAXES = ["1.2.840.10008.1.2.1", "1.2.840.10008.1.2"]


@dataclass
class Habits:
    """What it does beside what it should."""

    answers_max: int = 0  # study level answers
    says_so: bool = True  # with A700, else with success
    drop_every: int = 0  # aborts after so many objects of one association
    never: set[str] = field(default_factory=set)  # SOP Instance UIDs that it names and does not send
    nameless: set[str] = field(default_factory=set)  # SOP Instance UIDs that its answers leave out
    get_status: int = 0  # answers every C-GET with this failure
    knows_modalities: bool = True  # matches and tells ModalitiesInStudy
    knows_lists: bool = True  # takes a list of UIDs in a C-GET


class Archive:
    """Listens on a port of its own until it is stopped."""

    def __init__(self, sets: list[Dataset], habits: Habits | None = None, moves: dict | None = None):
        self.sets, self.habits, self.moves = sets, habits or Habits(), moves or {}
        self.sent: list[str] = []
        self.questions: list[Dataset] = []
        entity = AE("ARCHIVE")
        entity.maximum_associations = 50
        for model in (FIND, GET, MOVE):
            entity.add_supported_context(model, SYNTAXES)
        for name in sorted({one.SOPClassUID for one in sets}):
            entity.add_supported_context(name, SYNTAXES, scu_role=True, scp_role=True)
            entity.add_requested_context(name, SYNTAXES)
        handlers = [
            (evt.EVT_C_FIND, self.find),
            (evt.EVT_C_GET, self.get),
            (evt.EVT_C_MOVE, self.move),
        ]
        self.server = entity.start_server(("127.0.0.1", 0), block=False, evt_handlers=handlers)
        self.port = self.server.socket.getsockname()[1]

    def stop(self) -> None:
        self.server.shutdown()

    def matching(self, asked: Dataset) -> list[Dataset]:
        return [one for one in self.sets if all(self.fits(one, key) for key in asked)]

    def fits(self, one: Dataset, key) -> bool:
        if key.is_empty or key.keyword == "QueryRetrieveLevel":
            return True
        if key.keyword == "ModalitiesInStudy":
            return not self.habits.knows_modalities or key.value in self.modalities(one)
        has = str(one.get(key.keyword, ""))
        if key.VR == "UI":
            values = [key.value] if isinstance(key.value, str) else list(key.value)
            return has in values and (self.habits.knows_lists or len(values) == 1)
        if "-" in str(key.value):
            low, high = str(key.value).split("-")
            return bool(has) and low <= has <= high
        return has == str(key.value)

    def modalities(self, one: Dataset) -> list[str]:
        study = [two for two in self.sets if two.StudyInstanceUID == one.StudyInstanceUID]
        return sorted({two.Modality for two in study})

    def find(self, event):
        asked = event.identifier
        self.questions.append(asked)
        unique = {"STUDY": "StudyInstanceUID", "SERIES": "SeriesInstanceUID", "IMAGE": "SOPInstanceUID"}
        by = unique[asked.QueryRetrieveLevel]
        found = {one.get(by): one for one in self.matching(asked)}
        limit = self.habits.answers_max if by == "StudyInstanceUID" else 0
        for number, one in enumerate(found.values()):
            if limit and number == limit:
                if self.habits.says_so:
                    yield 0xA700, None
                return
            answer = Dataset()
            answer.QueryRetrieveLevel = asked.QueryRetrieveLevel
            for key in asked:
                if key.keyword == "ModalitiesInStudy":
                    if self.habits.knows_modalities:
                        answer.ModalitiesInStudy = self.modalities(one)
                elif key.keyword in one:
                    setattr(answer, key.keyword, one.get(key.keyword))
            if by == "SOPInstanceUID" and one.SOPInstanceUID in self.habits.nameless:
                answer.SOPInstanceUID = ""
            yield 0xFF00, answer

    def get(self, event):
        if self.habits.get_status:
            yield 0
            yield self.habits.get_status, None
            return
        yield from self.sending(event)

    def move(self, event):
        to = self.moves.get(event.move_destination)
        if to is None:
            yield None, None
            return
        yield to
        yield from self.sending(event)

    def sending(self, event):
        found = self.matching(event.identifier)
        never = [one.SOPInstanceUID for one in found if one.SOPInstanceUID in self.habits.never]
        found = [one for one in found if one.SOPInstanceUID not in never]
        yield len(found) + len(never)
        for number, one in enumerate(found):
            if self.habits.drop_every and number == self.habits.drop_every:
                event.assoc.abort()
                return
            self.sent.append(one.SOPInstanceUID)
            yield 0xFF00, one
        if never:
            failed = Dataset()
            failed.FailedSOPInstanceUIDList = never
            yield 0xB000, failed


def sent_by(port: int, called: str, sets: list[Dataset]) -> None:
    """Sends data sets by C-STORE; each must be answered with success."""
    entity = AE("CART1")
    for name in sorted({one.SOPClassUID for one in sets}):
        entity.add_requested_context(name, SYNTAXES)
    association = entity.associate("127.0.0.1", port, ae_title=called)
    assert association.is_established, "the listener took no association"
    for one in sets:
        status = association.send_c_store(one)
        assert status.get("Status") == 0, status
    association.release()


def read(path) -> Dataset:
    return pydicom.dcmread(path)
