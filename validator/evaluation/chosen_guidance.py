"""What a study chooses of the guidance: its profiles, and the kind of its method that they go by."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.guidance import Kind, load_profile

if TYPE_CHECKING:
    from validator.guidance import Profile
    from validator.study import Study


def profiles_of(study: Study) -> tuple[Profile, ...]:
    """The guidance profiles the study names; a lab's own lie in the study folder.

    Raises:
        GuidanceError: a profile is unknown or malformed.
    """
    return tuple(load_profile(name, search_folders=(study.folder,)) for name in study.study.guidance)


def kind_of(study: Study) -> Kind:
    """What the method is for; ``any`` where the study does not say."""
    return Kind(study.method.kind or Kind.ANY)
