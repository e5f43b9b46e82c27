"""People who work with the register, and the depots given to them."""

from typing import ClassVar

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.contrib.auth.hashers import check_password
from django.db import models
from django.db.models import Q

from registry.models.base import Record, Version, code_field, entry_key, line_field, one_of, word_field
from registry.rules.roles import Role


class Staff(Record, AbstractBaseUser):
    """A person of the staff. The ledger holds the role and a commitment of the name, never the name."""

    not_imaged: ClassVar[dict[str, str]] = {
        "username": "personal; erasable",
        "name": "personal; erasable, committed to by name_commitment",
        "name_salt": "erased with the name",
        "password": "a digest of a secret; an entry says that one was set",
    }

    username = code_field(unique=True)
    name = line_field()
    name_salt = models.BinaryField(max_length=16)
    name_commitment = models.CharField(max_length=64)
    role = word_field(choices=[(str(role), str(role)) for role in Role])
    everywhere = models.BooleanField(default=False)  # all depots, without naming them
    is_active = models.BooleanField(default=True)
    # A sign-in is no fact of the register.
    last_login = None  # type: ignore[assignment]

    objects: ClassVar[BaseUserManager["Staff"]] = BaseUserManager()  # type: ignore[assignment]

    USERNAME_FIELD = "username"

    class Meta:
        verbose_name_plural = "staff"
        constraints = [one_of("role", Role, "staff_role_known")]

    def __str__(self) -> str:
        return self.name

    def check_password(self, raw_password: str | None) -> bool:
        """Compare a password. Unlike Django's, this never digests it anew: only an action writes a person."""
        return check_password(raw_password, self.password)

    @property
    def label(self) -> str:
        """What the ledger may call a person: never the name."""
        return f"staff member {str(self.pk)[-6:]}"

    @property
    def is_staff(self) -> bool:
        """Say whether the console lets the person in; installers work through the API."""
        return self.is_active and self.role != Role.INSTALLER

    def has_perm(self, perm: str, obj: object = None) -> bool:
        """Say whether Django's admin may show something; it never writes.

        Its lists are narrowed to the person's depots, and the ledger's to those who see all of them.
        """
        return self.is_staff and ".view_" in perm

    def has_module_perms(self, app_label: str) -> bool:
        """Say whether the admin's front page lists an app."""
        return self.is_staff and app_label == "registry"


class StaffDepot(Version):
    """A depot given to a person, from the entry that gave it to the entry that took it away."""

    staff = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="depot_grants")
    depot = models.ForeignKey("registry.Depot", on_delete=models.PROTECT, related_name="+")

    recorded = entry_key("recorded_index")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["staff", "depot"], condition=Q(superseded=None), name="staff_depot_given_once"
            )
        ]

    def __str__(self) -> str:
        return f"{self.staff_id} for {self.depot_id}"
