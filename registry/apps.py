"""The Django app of the register."""

from django.apps import AppConfig
from django.db.models.signals import post_migrate, pre_migrate


class RegistryConfig(AppConfig):
    """The register; its guards are put back after every migrate, because SQLite drops them silently."""

    name = "registry"
    verbose_name = "Rimebook"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        """Have the guards installed whenever tables may have been remade."""
        from registry.ledger import guards

        pre_migrate.connect(guards.lift_before_migrate, sender=self)
        post_migrate.connect(guards.install_after_migrate, sender=self)
