//! `earlywood serve`: the office in the browser, phones, and other copies of the programme. `earlywood sync`: this copy
//! visits another.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;

use anyhow::{Context as _, Result};
use clap::Args;
use earlywood_journal::Role;
use earlywood_server::{Config, OfficeConfig, OnFault, Opened, Server, Tls};
use jiff::civil::Date;
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
    /// Let other machines reach it. Give it a certificate then, or a proxy that has one: browsers keep the phone app and
    /// give it the camera only with https.
    #[arg(long)]
    allow_remote: bool,
    /// Certificate chain (PEM), for https.
    #[arg(long, value_name = "FILE", requires = "tls_key")]
    tls_cert: Option<PathBuf>,
    /// Private key of the certificate (PEM).
    #[arg(long, value_name = "FILE", requires = "tls_cert")]
    tls_key: Option<PathBuf>,
    /// A proxy with https stands in front: believe what it says in x-forwarded-for and x-forwarded-proto.
    #[arg(long, conflicts_with = "tls_cert")]
    behind_proxy: bool,
    /// Name under which people reach it, without a port; may be given again. Requests to other names are refused then.
    #[arg(long = "name", value_name = "HOST")]
    names: Vec<String>,
    /// The day that it is, for demonstrations; the system's when left out.
    #[arg(long, value_name = "DAY")]
    today: Option<Date>,
}

impl ServeArgs {
    /// What `earlywood demo --serve` asks for: the day stands still, so that the screens show the season.
    pub(crate) fn of_demo(file: PathBuf, listen: SocketAddr, today: Date) -> Self {
        ServeArgs {
            file: FileArg { file },
            listen,
            allow_remote: false,
            tls_cert: None,
            tls_key: None,
            behind_proxy: false,
            names: Vec::new(),
            today: Some(today),
        }
    }

    fn tls(&self) -> Result<Option<Tls>> {
        match (&self.tls_cert, &self.tls_key) {
            (Some(certificate), Some(key)) => Ok(Some(Tls::read(certificate, key)?)),
            _ => Ok(None),
        }
    }
}

pub(crate) fn serve(args: ServeArgs, form: Form) -> Result<()> {
    let programme = super::open(&args.file)?;
    let today = args.today.unwrap_or_else(super::today);
    let leads: Vec<String> = programme
        .people(today)?
        .into_iter()
        .filter(|person| person.roles.contains(&Role::Lead))
        .map(|person| person.id)
        .collect();
    let tls = args.tls()?;
    let on_fault: OnFault = Arc::new(|words: &str| crate::out::note(words));
    let office = OfficeConfig {
        today: args.today,
        names: args.names.clone(),
        behind_proxy: args.behind_proxy,
        tls: tls.is_some(),
        loopback: args.listen.ip().to_canonical().is_loopback() && !args.behind_proxy,
        on_fault: Some(on_fault.clone()),
        ..OfficeConfig::default()
    };
    let config = Config {
        allow_remote: args.allow_remote,
        on_fault: Some(on_fault),
        ..Config::default()
    };
    let runtime = tokio::runtime::Runtime::new().context("the server can't start")?;
    runtime.block_on(async {
        let office = Opened::new(programme, office)?;
        let encrypted = tls.is_some();
        let server = Server::office(&office, args.listen, config, tls).await?;
        let base = base(&args, server.address(), encrypted);
        tell(
            &args,
            form,
            &base,
            server.address(),
            office.first_run_code(),
            &leads,
        )?;
        server.run(stopped()).await;
        Ok(())
    })
}

/// Where people find it.
fn base(args: &ServeArgs, address: SocketAddr, encrypted: bool) -> String {
    let scheme = if encrypted { "https" } else { "http" };
    match args.names.first() {
        Some(name) if args.behind_proxy => format!("https://{name}"),
        Some(name) => format!("{scheme}://{name}:{}", address.port()),
        None => format!("{scheme}://{address}"),
    }
}

/// Says where it is served and, as long as nobody has an account, the code with which the first is made: here and nowhere
/// else.
fn tell(
    args: &ServeArgs,
    form: Form,
    base: &str,
    address: SocketAddr,
    code: Option<String>,
    leads: &[String],
) -> Result<()> {
    let is_here = address.ip().to_canonical().is_loopback();
    let reach = match is_here {
        true => "loopback only: this machine alone",
        false => "other machines too",
    };
    let link = code.as_ref().map(|code| format!("{base}/first-run#{code}"));
    form.say(
        || {
            let mut text = format!("Serving on {base} ({reach}). Ctrl-C stops it.");
            if let Some(link) = &link {
                text += &format!(
                    "\n\nNobody has an account yet. Open this once, in a browser, and choose a password for the lead ({}):\n{link}\n",
                    leads.join(", ")
                );
            }
            text
        },
        || {
            json!({"address": base, "loopback": is_here,
                "first_run": code.as_ref().map(|code| json!({"code": code, "link": link, "leads": leads}))})
        },
    )?;
    if !is_here && args.tls_cert.is_none() && !args.behind_proxy {
        crate::out::note(
            "without https (--tls-cert and --tls-key, or --behind-proxy) browsers on other machines keep no phone app, give it \
             no camera, and passwords can be read on the way",
        );
    }
    Ok(())
}

/// Ctrl-C, or the word of whatever runs the machine's services.
async fn stopped() {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        if let Ok(mut terminate) = signal(SignalKind::terminate()) {
            tokio::select! {
                _ = tokio::signal::ctrl_c() => {}
                _ = terminate.recv() => {}
            }
            return;
        }
    }
    drop(tokio::signal::ctrl_c().await);
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
