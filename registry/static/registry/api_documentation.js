// Shows the schema. Requests that are tried here carry the token that was typed under "Authorize".
"use strict";
const place = document.getElementById("documentation");
SwaggerUIBundle({
  url: place.dataset.schema,
  domNode: place,
  deepLinking: true,
  docExpansion: "none",
  validatorUrl: null,
  presets: [SwaggerUIBundle.presets.apis],
});
