"""The addresses of the field page, a line each; they are mounted at /field/."""

from django.urls import path

from registry.field import shell, signing_in

app_name = "field"

urlpatterns = [
    path("", shell.shell, name="shell"),
    path("service-worker.js", shell.service_worker, name="service_worker"),
    path("manifest.webmanifest", shell.manifest, name="manifest"),
    path("session/", signing_in.session, name="session"),
    path("sign-in/", signing_in.SignIn.as_view(), name="sign_in"),
    path("sign-out/", signing_in.SignOut.as_view(), name="sign_out"),
]
