//! The document of all calls, made from the calls themselves.

use axum::Router;
use axum::http::header;
use axum::routing::get;
use serde_json::json;
use utoipa::openapi::extensions::ExtensionsBuilder;
use utoipa::openapi::path::Operation;
use utoipa::openapi::security::{ApiKey, ApiKeyValue, SecurityScheme};
use utoipa::openapi::server::ServerBuilder;
use utoipa::openapi::{ContentBuilder, InfoBuilder, OpenApi, OpenApiBuilder, PathItem, Ref, ResponseBuilder};
use utoipa::{Modify, OpenApi as _};
use utoipa_axum::router::OpenApiRouter;

use super::caller::{Right, role_word};
use super::problem::ProblemBody;
use super::state::App;
use super::{entries, journal, load, map, paper, people, phone, plan, response, rounds, signin, views};
use crate::PROTOCOL;

/// Where the document is served.
pub(crate) const PATH: &str = "/api/1/openapi.json";

#[derive(utoipa::OpenApi)]
#[openapi(components(schemas(ProblemBody)), modifiers(&Schemes), security(("session" = []), ("csrf" = [])))]
struct Base;

struct Schemes;

impl Modify for Schemes {
    fn modify(&self, document: &mut OpenApi) {
        let components = document.components.get_or_insert_default();
        let cookie = ApiKeyValue::with_description(
            signin::session::COOKIE_NAME,
            "Set by sign-in. HttpOnly, SameSite=Strict; Secure where the page came encrypted.",
        );
        components.add_security_scheme("session", SecurityScheme::ApiKey(ApiKey::Cookie(cookie)));
        let csrf = ApiKeyValue::with_description(
            signin::origin::X_CSRF,
            "The token of GET /api/1/me, with every call of a session that is no GET.",
        );
        components.add_security_scheme("csrf", SecurityScheme::ApiKey(ApiKey::Header(csrf)));
        let device = ApiKeyValue::with_description(
            crate::auth::header::SIGNATURE,
            "Signed by an enrolled device; see crates/server/API.md.",
        );
        components.add_security_scheme("device", SecurityScheme::ApiKey(ApiKey::Header(device)));
    }
}

/// All calls of the office, with the document of them and of the sync calls.
pub(crate) fn routes() -> OpenApiRouter<App> {
    let info = InfoBuilder::new()
        .title("Earlywood office")
        .version(PROTOCOL.to_string())
        .description(Some(
            "Calls of the office and phone app over one programme file. Days are 2026-05-01, moments RFC 3339, \
             probabilities 0 to 1, lengths metres, positions degrees (WGS 84). Each operation names in x-earlywood-right \
             which right it needs: see crates/server/API.md.",
        ))
        .build();
    let base: OpenApi = OpenApiBuilder::from(Base::openapi())
        .info(info)
        .servers(Some([ServerBuilder::new().url("/").build()]))
        .build();
    let mut document = base;
    document.merge(crate::server::Document::openapi());
    let rights = Right::ALL.map(|right| {
        let roles: Vec<&str> = right.roles().iter().map(|role| role_word(*role)).collect();
        (right.name().to_owned(), json!(roles))
    });
    let rights = json!(serde_json::Map::from_iter(rights));
    document.extensions = Some(ExtensionsBuilder::new().add("x-earlywood-rights", rights).build());
    OpenApiRouter::with_openapi(document)
        .merge(signin::routes::routes())
        .merge(signin::passkey::routes())
        .merge(entries::routes())
        .merge(people::routes())
        .merge(phone::routes())
        .merge(journal::routes())
        .merge(views::routes())
        .merge(map::routes())
        .merge(plan::routes())
        .merge(load::routes())
        .merge(rounds::routes())
        .merge(paper::routes())
        .merge(response::routes())
}

fn operations(item: &mut PathItem) -> impl Iterator<Item = &mut Operation> {
    [&mut item.get, &mut item.put, &mut item.post, &mut item.delete]
        .into_iter()
        .flatten()
}

/// Any call may be refused (nobody is signed in, the caller may not, too much is asked at once), whatever else it says.
fn may_refuse(operation: &mut Operation) {
    let problem = Ref::from_schema_name("Problem");
    let content = ContentBuilder::new().schema(Some(problem)).build();
    let refusal = ResponseBuilder::new()
        .description("Refused, in words.")
        .content("application/json", content)
        .build();
    let said = &mut operation.responses.responses;
    for status in ["4XX", "5XX"] {
        said.entry(status.to_owned())
            .or_insert_with(|| refusal.clone().into());
    }
}

/// The route of the document itself: it tells nothing but what this page of the source tells.
pub(crate) fn document_route(mut document: OpenApi) -> Router {
    let items = document.paths.paths.values_mut();
    items.for_each(|item| operations(item).for_each(may_refuse));
    let text =
        serde_json::to_string(&document).unwrap_or_else(|e| json!({"error": e.to_string()}).to_string());
    Router::new().route(
        PATH,
        get(move || async move { ([(header::CONTENT_TYPE, "application/json")], text) }),
    )
}
