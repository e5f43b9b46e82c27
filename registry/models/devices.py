"""Controllers with their sensors, and their models with the serial scheme as data."""

from django.db import models
from django.db.models import Q

from registry.models.base import Record, code_field, line_field, one_of, word_field
from registry.rules.devices import Compensation, Principle
from registry.rules.identifiers import CheckMethod, SerialScheme
from registry.rules.whereabouts import DeviceStanding


class DeviceModel(Record):
    """A kind of device."""

    name = line_field(unique=True)
    sensor_count = models.PositiveSmallIntegerField()
    principle = word_field()
    blind_zone_mm = models.PositiveIntegerField()  # nearer than this it cannot measure
    range_mm = models.PositiveIntegerField()  # nor farther than this
    compensates = word_field(default=str(Compensation.UNKNOWN))
    report_interval_min = models.PositiveIntegerField()
    serial_prefix = code_field(blank=True)
    serial_alphabet = models.CharField(max_length=40)
    serial_payload_length = models.PositiveSmallIntegerField()
    serial_check_method = models.CharField(max_length=30)
    serial_check_covers_prefix = models.BooleanField(default=False)

    class Meta:
        constraints = [
            one_of("principle", Principle, "device_model_principle_known"),
            one_of("compensates", Compensation, "device_model_compensation_known"),
            one_of("serial_check_method", CheckMethod, "device_model_check_method_known"),
            models.CheckConstraint(condition=Q(sensor_count__gte=1), name="device_model_has_sensors"),
            models.CheckConstraint(
                condition=Q(range_mm__gt=models.F("blind_zone_mm")),
                name="device_model_range_beyond_blind_zone",
            ),
            models.CheckConstraint(condition=~Q(name=""), name="device_model_has_name"),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def label(self) -> str:
        return self.name

    def serial_scheme(self) -> SerialScheme:
        """Return the scheme by which a serial of this model is judged."""
        return SerialScheme(
            prefix=self.serial_prefix,
            alphabet=self.serial_alphabet,
            payload_length=self.serial_payload_length,
            check_method=CheckMethod(self.serial_check_method),
            check_covers_prefix=self.serial_check_covers_prefix,
        )


class Device(Record):
    """A device. Who holds it or where it hangs is dated, in DeviceWhereabouts."""

    model = models.ForeignKey(DeviceModel, on_delete=models.PROTECT, related_name="devices")
    serial = code_field()  # canonical: upper case, no separators
    serial_typed = line_field()  # as somebody typed or scanned it
    firmware = code_field(blank=True)
    imei = models.CharField(max_length=16, blank=True)
    iccid = models.CharField(max_length=22, blank=True)  # some cards show more than the 19 of E.118
    iccid_override = models.TextField(blank=True)  # why a doubtful ICCID was kept
    standing = word_field(default=str(DeviceStanding.CONFIRMED))
    merged_into = models.ForeignKey("self", on_delete=models.PROTECT, null=True, related_name="+")
    evidence = models.TextField(blank=True)  # why a provisional device is believed to be there
    photo_sha256 = models.CharField(max_length=64, blank=True)

    class Meta:
        constraints = [
            one_of("standing", DeviceStanding, "device_standing_known"),
            # A record that was merged or rejected stands for no device and frees its serial.
            models.UniqueConstraint(
                fields=["serial"],
                condition=Q(standing__in=[str(DeviceStanding.CONFIRMED), str(DeviceStanding.PROVISIONAL)]),
                name="device_serial_once",
            ),
            models.CheckConstraint(
                condition=Q(standing=str(DeviceStanding.MERGED), merged_into__isnull=False)
                | (~Q(standing=str(DeviceStanding.MERGED)) & Q(merged_into=None)),
                name="device_merged_into_something",
            ),
            models.CheckConstraint(
                condition=~Q(standing=str(DeviceStanding.PROVISIONAL))
                | ~Q(evidence="")
                | ~Q(photo_sha256=""),
                name="device_provisional_has_evidence",
            ),
            models.CheckConstraint(condition=~Q(serial=""), name="device_has_serial"),
        ]
        indexes = [models.Index(fields=["serial", "id"], name="device_by_serial")]

    def __str__(self) -> str:
        return self.serial

    @property
    def label(self) -> str:
        return self.serial
