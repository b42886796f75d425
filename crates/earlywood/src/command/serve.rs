//! `earlywood serve` and `earlywood sync`: copies of a programme exchange what the other lacks, over HTTP.

use std::net::SocketAddr;

use anyhow::{Context as _, Result};
use clap::Args;
use earlywood_server::{Config, Server};
use serde_json::json;

use super::exchange::held_json;
use crate::FileArg;
use crate::out::Form;

#[derive(Args)]
pub(crate) struct ServeArgs {
    #[command(flatten)]
    file: FileArg,
    /// Address and port to listen on; port 0 takes a free one.
    #[arg(long, value_name = "ADDR", default_value = "127.0.0.1:8640")]
    listen: SocketAddr,
    /// Let other machines reach it. Calls are signed but not encrypted: put a TLS proxy or a private network in front.
    #[arg(long)]
    allow_remote: bool,
}

pub(crate) fn serve(args: ServeArgs, form: Form) -> Result<()> {
    let programme = super::open(&args.file)?;
    // Without its key it could not sign a reply.
    programme.request()?;
    let config = Config {
        allow_remote: args.allow_remote,
        ..Config::default()
    };
    let runtime = tokio::runtime::Runtime::new().context("the server can't start")?;
    runtime.block_on(async {
        let server = Server::bind(programme, args.listen, config).await?;
        let address = server.address();
        let reach = if address.ip().is_loopback() {
            "loopback only: this machine alone"
        } else {
            "other machines too"
        };
        form.say(
            || format!("Serving on http://{address} ({reach}). Ctrl-C stops it."),
            || json!({"address": format!("http://{address}"), "loopback": address.ip().is_loopback()}),
        )?;
        server.run(async { drop(tokio::signal::ctrl_c().await) }).await;
        Ok(())
    })
}

#[derive(Args)]
pub(crate) struct SyncArgs {
    #[command(flatten)]
    file: FileArg,
    /// Address of the server, http://host:port.
    url: String,
}

pub(crate) fn sync(args: &SyncArgs, form: Form) -> Result<()> {
    let mut programme = super::open(&args.file)?;
    let r = earlywood_server::sync(&mut programme, &args.url)?;
    for held in &r.held_back {
        crate::out::note(&format!(
            "held back, device {}: {} entries: {}",
            held.device, held.entries, held.why
        ));
    }
    form.say(
        || {
            format!(
                "{} entries given, {} taken; {} new conflicts.",
                r.sent, r.received, r.conflicts
            )
        },
        || {
            json!({"sent": r.sent, "received": r.received, "contents_sent": r.contents_sent,
                "contents_received": r.contents_received, "held_back": held_json(&r.held_back),
                "conflicts": r.conflicts, "complete": r.complete})
        },
    )
}
