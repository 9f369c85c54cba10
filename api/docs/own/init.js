// Starts the interactive reference. A file of its own, because the page's
// policy allows no inline script.
window.addEventListener("load", () => {
  SwaggerUIBundle({
    url: "/openapi.yaml",
    dom_id: "#reference",
    deepLinking: true,
    validatorUrl: null,
    persistAuthorization: false,
    tryItOutEnabled: true,
    displayOperationId: true,
    docExpansion: "list",
    presets: [SwaggerUIBundle.presets.apis],
    layout: "BaseLayout",
  });
});
