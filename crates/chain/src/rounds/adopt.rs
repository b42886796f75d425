//! Rounds are written down as somebody adopted them.

use earlywood_journal::{Act, Body, Programme, Receipt, RoundsAdopted};

use super::propose::{Proposal, put_codes};
use crate::error::ChainError;

/// Writes rounds down. From then on they hold for their days.
///
/// # Errors
/// No reason given, a crew that nobody formed, or whatever else the journal refuses; nothing is written then.
pub fn adopt(
    programme: &mut Programme,
    act: &Act,
    proposal: &Proposal,
    reason: &str,
) -> Result<Receipt, ChainError> {
    if reason.trim().is_empty() {
        return Err(ChainError::asked("reason", "say why these rounds, in words"));
    }
    if proposal.rounds.is_empty() && proposal.left_out.is_empty() {
        return Err(ChainError::asked("rounds", "there is no round to adopt"));
    }
    let mut rounds = proposal.rounds.clone();
    // Others may have been adopted since this was proposed.
    put_codes(programme, &mut rounds)?;
    let body = RoundsAdopted {
        from: proposal.from,
        to: proposal.to,
        rounds,
        left_out: proposal.left_out.clone(),
        settings: proposal.settings.clone(),
        reason: reason.trim().to_owned(),
    };
    Ok(programme.append(act, Body::RoundsAdopted(body))?)
}
