//! The drawing board: what is worked out in the background and nobody has adopted yet.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use super::problem::Problem;

/// Drafts of a kind that are kept, the oldest done one goes first. Design choice: each is some hundred kilobytes at most.
const MOST_DRAFTS: usize = 12;

/// What is known of a draft.
pub(crate) enum Standing<T> {
    Working,
    Ready(Arc<T>),
    Failed(String),
}

/// How far a draft is.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub(super) enum DraftState {
    Working,
    Ready,
    Failed,
}

/// How far a draft is; what it is, once ready; why there is none.
pub(super) type Told<T> = (DraftState, Option<Arc<T>>, Option<String>);

/// Drafts of one kind, for all callers. They live as long as the server.
pub(crate) struct Drafts<T> {
    kept: Mutex<VecDeque<(Uuid, Standing<T>)>>,
}

impl<T> Default for Drafts<T> {
    fn default() -> Self {
        Drafts {
            kept: Mutex::default(),
        }
    }
}

impl<T> Drafts<T> {
    fn lock(&self) -> MutexGuard<'_, VecDeque<(Uuid, Standing<T>)>> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(super) fn begin(&self, id: Uuid) -> Result<(), Problem> {
        let mut kept = self.lock();
        if kept.len() >= MOST_DRAFTS {
            let done = kept.iter().position(|(_, s)| !matches!(s, Standing::Working));
            let Some(at) = done else {
                return Err(Problem::busy());
            };
            kept.remove(at);
        }
        kept.push_back((id, Standing::Working));
        Ok(())
    }

    /// What came of it; nothing is kept when it was dropped meanwhile.
    pub(super) fn end(&self, id: Uuid, standing: Standing<T>) {
        if let Some(mine) = self.lock().iter_mut().find(|(of, _)| *of == id) {
            mine.1 = standing;
        }
    }

    pub(super) fn remove(&self, id: Uuid) -> Result<(), Problem> {
        let mut kept = self.lock();
        let at = kept.iter().position(|(of, _)| *of == id).ok_or_else(gone)?;
        kept.remove(at);
        Ok(())
    }

    pub(super) fn told(&self, id: Uuid) -> Result<Told<T>, Problem> {
        let kept = self.lock();
        let (_, standing) = kept.iter().find(|(of, _)| *of == id).ok_or_else(gone)?;
        Ok(match standing {
            Standing::Working => (DraftState::Working, None, None),
            Standing::Ready(made) => (DraftState::Ready, Some(made.clone()), None),
            Standing::Failed(why) => (DraftState::Failed, None, Some(why.clone())),
        })
    }

    pub(super) fn ready(&self, id: Uuid) -> Result<Arc<T>, Problem> {
        let (_, made, _) = self.told(id)?;
        made.ok_or_else(|| Problem::field("draft", "this draft is not worked out; wait until it is"))
    }
}

fn gone() -> Problem {
    Problem::not_found("this draft is no longer on the drawing board; begin anew")
}
