//! Who calls, and what each role may do.

use std::collections::HashMap;
use std::sync::Arc;

use axum::extract::{FromRequestParts, MatchedPath, Request, State};
use axum::http::Method;
use axum::http::request::Parts;
use axum::middleware::Next;
use axum::response::Response;
use earlywood_journal::Role;
use serde::Serialize;
use utoipa::openapi::OpenApi;

use super::problem::Problem;
use super::read_body;
use super::signin::{self, session};
use super::state::Office;

/// What a call needs. Which roles have it stands in [`Right::roles`], and nowhere else.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Right {
    /// No sign-in.
    Public,
    /// Signed in; it is about the caller alone.
    Own,
    /// Look at the programme.
    Read,
    /// Write entries. What may be written is the journal's own affair.
    Record,
    /// Ask what would be, and draft plans.
    Plan,
    /// Adopt a plan.
    Adopt,
    /// Answer a find: see all of its response, which is confidential, and write what the journal lets one write.
    Respond,
    /// Load data from files.
    Load,
    /// See when devices were heard of.
    Devices,
    /// Write down who people are.
    People,
    /// Erase who a person is.
    Erase,
    /// Let people and devices in.
    Lead,
}

impl Right {
    /// Every right.
    pub(crate) const ALL: [Right; 12] = [
        Right::Public,
        Right::Own,
        Right::Read,
        Right::Record,
        Right::Plan,
        Right::Adopt,
        Right::Respond,
        Right::Load,
        Right::Devices,
        Right::People,
        Right::Erase,
        Right::Lead,
    ];

    /// The roles that have it: the least that each needs for its work, as in the journal's own table.
    pub(crate) fn roles(self) -> &'static [Role] {
        use Role::{Clerk, Identifier, Inspector, Lead, Partner, Supervisor};
        match self {
            Right::Public | Right::Own | Right::Read => {
                &[Lead, Supervisor, Inspector, Identifier, Clerk, Partner]
            }
            Right::Record => &[Lead, Supervisor, Inspector, Identifier, Clerk],
            Right::Plan | Right::Respond => &[Lead, Supervisor],
            Right::Adopt | Right::Lead => &[Lead],
            Right::Load | Right::Devices | Right::People => &[Lead, Supervisor, Clerk],
            Right::Erase => &[Lead, Clerk],
        }
    }

    /// Its name in the document of the calls.
    pub(crate) fn name(self) -> &'static str {
        match self {
            Right::Public => "public",
            Right::Own => "own",
            Right::Read => "read",
            Right::Record => "record",
            Right::Plan => "plan",
            Right::Adopt => "adopt",
            Right::Respond => "respond",
            Right::Load => "load",
            Right::Devices => "devices",
            Right::People => "people",
            Right::Erase => "erase",
            Right::Lead => "lead",
        }
    }
}

/// A role's word, as it stands in entries.
pub(crate) fn role_word(role: Role) -> &'static str {
    match role {
        Role::Lead => "lead",
        Role::Supervisor => "supervisor",
        Role::Inspector => "inspector",
        Role::Identifier => "identifier",
        Role::Clerk => "clerk",
        Role::Partner => "partner",
    }
}

/// A person who is signed in and has a role today. The roles are the journal's of this moment, not those of the sign-in.
#[derive(Debug, Clone)]
pub(crate) struct Caller {
    pub(crate) person: String,
    pub(crate) roles: Vec<Role>,
    pub(crate) token: session::Token,
}

impl Caller {
    /// Whether one of the caller's roles has the right.
    pub(crate) fn has(&self, right: Right) -> bool {
        self.roles.iter().any(|role| right.roles().contains(role))
    }

    /// Ends the call unless one of the caller's roles has the right.
    pub(crate) fn may(&self, right: Right) -> Result<(), Problem> {
        if self.has(right) {
            return Ok(());
        }
        let whose: Vec<&str> = right.roles().iter().map(|role| role_word(*role)).collect();
        Err(Problem::not_entitled(format!(
            "{} may not do that: it is for {}",
            self.person,
            whose.join(", ")
        )))
    }
}

impl FromRequestParts<Arc<Office>> for Caller {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, office: &Arc<Office>) -> Result<Self, Problem> {
        if let Some(known) = parts.extensions.get::<Caller>() {
            return Ok(known.clone());
        }
        let (token, person) = office
            .signin
            .sessions
            .of_request(&parts.headers)
            .ok_or_else(Problem::signed_out)?;
        if !is_safe(&parts.method) {
            signin::origin::check(office, parts)?;
            signin::origin::check_csrf(&parts.headers, &token)?;
        }
        let roles = office.roles_of(&person).await?;
        if roles.is_empty() {
            office.signin.end_sessions_of(&person).await?;
            return Err(Problem::signed_out());
        }
        Ok(Caller { person, roles, token })
    }
}

/// What each call needs, as its entry in the document says: the document is the table, and a call that is not in it, or
/// names no right, is refused.
pub(crate) struct Gate(HashMap<(String, Method), Needs>);

#[derive(Debug, Clone, Copy)]
struct Needs {
    right: Right,
    /// Whoever it is about may call it too; the call itself looks.
    or_oneself: bool,
}

/// The extensions in which an operation names its right.
const RIGHT: &str = "x-earlywood-right";
const OR_ONESELF: &str = "x-earlywood-or-oneself";

impl Gate {
    /// From the finished document.
    pub(crate) fn of(document: &OpenApi) -> Self {
        let mut all = HashMap::new();
        for (path, item) in &document.paths.paths {
            let operations = [
                (Method::GET, &item.get),
                (Method::PUT, &item.put),
                (Method::POST, &item.post),
                (Method::DELETE, &item.delete),
                (Method::PATCH, &item.patch),
            ];
            for (method, operation) in operations {
                let extensions = operation
                    .as_ref()
                    .and_then(|operation| operation.extensions.as_ref());
                let right = extensions.and_then(|e| e.get(RIGHT)).and_then(|name| {
                    Right::ALL
                        .into_iter()
                        .find(|right| Some(right.name()) == name.as_str())
                });
                let or_oneself = extensions.is_some_and(|e| e.contains_key(OR_ONESELF));
                if let Some(right) = right {
                    all.insert((path.clone(), method), Needs { right, or_oneself });
                }
            }
        }
        Gate(all)
    }

    /// Finds out who calls, and whether that person may.
    async fn let_in(&self, parts: &mut Parts, office: &Arc<Office>) -> Result<(), Problem> {
        let needs = self
            .needs(parts)
            .ok_or_else(|| Problem::not_entitled("nobody may call this: it names no right"))?;
        if needs.right != Right::Public {
            let caller = Caller::from_request_parts(parts, office).await?;
            if !needs.or_oneself {
                caller.may(needs.right)?;
            }
            parts.extensions.insert(caller);
        }
        Ok(())
    }

    fn needs(&self, parts: &Parts) -> Option<Needs> {
        let path = parts.extensions.get::<MatchedPath>()?.as_str().to_owned();
        let method = match parts.method {
            Method::HEAD => Method::GET,
            ref other => other.clone(),
        };
        self.0.get(&(path, method)).copied()
    }
}

/// Looks at the caller's right before anything else of a request is read.
pub(crate) async fn check(
    State((office, gate)): State<(Arc<Office>, Arc<Gate>)>,
    request: Request,
    next: Next,
) -> Result<Response, Problem> {
    let (mut parts, mut body) = request.into_parts();
    if let Err(problem) = gate.let_in(&mut parts, &office).await {
        read_body::drain(&mut body, read_body::DRAIN_BYTES).await;
        return Err(problem);
    }
    Ok(next.run(Request::from_parts(parts, body)).await)
}

/// Whether a method changes nothing.
pub(crate) fn is_safe(method: &Method) -> bool {
    matches!(*method, Method::GET | Method::HEAD | Method::OPTIONS)
}
