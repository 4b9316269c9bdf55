"use strict";
// Shows the document that this very server is held to. A key typed into the page is forgotten with it.
window.addEventListener("load", () => {
  SwaggerUIBundle({
    url: "/openapi.yaml",
    dom_id: "#document",
    deepLinking: true,
    docExpansion: "none",
    defaultModelsExpandDepth: 0,
    validatorUrl: null,
    persistAuthorization: false,
  });
});
