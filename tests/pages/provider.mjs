// A real OpenID provider (oidc-provider) for the tests of the pages, over TLS on the loopback address.
//
//     node provider.mjs SETTINGS.json      (run where node_modules holds oidc-provider)
//
// Settings: port, certificate, key, client, secret, redirect, people: {login: {groups, token}}. Whoever
// types a login is signed in as that person; there are no passwords. `token` spoils the ID token of a
// person after the provider has made it: `audience`, `expired`, `issuer`, `nonce`, `key`, `unsigned`,
// `early`. Prints one line when it listens, then one line of JSON for each token that was spoiled.

import { generateKeyPairSync, webcrypto } from "node:crypto";
import { readFileSync } from "node:fs";
import { createServer } from "node:https";
import { createRequire } from "node:module";
import { join } from "node:path";
import { pathToFileURL } from "node:url";

const settings = JSON.parse(readFileSync(process.argv[2], "utf8"));
// The packages lie beside the place where this is started, not beside this file.
const wanted = createRequire(join(settings.packages, "package.json"));
const load = async (name) => import(pathToFileURL(wanted.resolve(name)));
const { default: Provider } = await load("oidc-provider");
const jose = await load("jose");

const issuer = `https://localhost:${settings.port}`;
const fresh = (kid) => {
  const { privateKey } = generateKeyPairSync("rsa", { modulusLength: 2048 });
  return { ...privateKey.export({ format: "jwk" }), kid, alg: "RS256", use: "sig" };
};
const key = fresh("provider");
// Named as the provider's, and not its own.
const foreign = fresh("provider");

const provider = new Provider(issuer, {
  clients: [
    {
      client_id: settings.client,
      client_secret: settings.secret,
      redirect_uris: [settings.redirect],
      grant_types: ["authorization_code"],
      response_types: ["code"],
    },
  ],
  jwks: { keys: [key] },
  cookies: { keys: [webcrypto.randomUUID()] },
  pkce: { required: () => true },
  conformIdTokenClaims: false,
  claims: {
    openid: ["sub", "groups", "preferred_username", "name"],
    profile: ["name", "preferred_username"],
    groups: ["groups"],
  },
  scopes: ["openid", "profile", "groups"],
  features: { devInteractions: { enabled: false } },
  interactions: { url: (_, interaction) => `/who/${interaction.uid}` },
  ttl: { AuthorizationCode: 60, Grant: 600, IdToken: 600, Interaction: 600, Session: 600, AccessToken: 600 },
  async findAccount(_, login) {
    const person = settings.people[login];
    return person && {
      accountId: login,
      claims: () => ({ sub: login, preferred_username: login, name: login, groups: person.groups }),
    };
  },
});

async function spoiled(how, token) {
  const claims = jose.decodeJwt(token);
  let by = key;
  const now = Math.floor(Date.now() / 1000);
  if (how === "audience") claims.aud = "another-program";
  if (how === "expired") Object.assign(claims, { iat: now - 7200, exp: now - 3600 });
  if (how === "early") Object.assign(claims, { iat: now + 7200, exp: now + 9000 });
  if (how === "issuer") claims.iss = "https://localhost:1";
  if (how === "nonce") claims.nonce = "another";
  if (how === "key") by = foreign;
  if (how === "unsigned") return new jose.UnsecuredJWT(claims).encode();
  const header = { alg: "RS256", kid: "provider" };
  return new jose.SignJWT(claims).setProtectedHeader(header).sign(await jose.importJWK(by, "RS256"));
}

provider.use(async (ctx, next) => {
  await next();
  if (ctx.oidc?.route !== "token" || !ctx.body?.id_token) return;
  const how = settings.people[ctx.oidc.account.accountId]?.token;
  if (!how) return;
  ctx.body = { ...ctx.body, id_token: await spoiled(how, ctx.body.id_token) };
  console.log(JSON.stringify({ spoiled: how }));
});

const page = `<!doctype html><html lang="en"><title>Provider of the tests</title><h1>Who are you?</h1>
<form method="post"><label>Login <input name="login"></label> <button>Continue</button></form></html>`;

async function interact(request, response) {
  const { uid, prompt, params, session } = await provider.interactionDetails(request, response);
  if (prompt.name === "login" && request.method === "GET") {
    response.writeHead(200, { "Content-Type": "text/html; charset=utf-8" }).end(page);
    return;
  }
  if (prompt.name === "login") {
    let body = "";
    for await (const part of request) body += part;
    const login = new URLSearchParams(body).get("login");
    await provider.interactionFinished(request, response, { login: { accountId: login } });
    return;
  }
  const grant = new provider.Grant({ accountId: session.accountId, clientId: params.client_id });
  grant.addOIDCScope(params.scope);
  const grantId = await grant.save();
  await provider.interactionFinished(request, response, { consent: { grantId } }, { mergeWithLastSubmission: true });
}

const callback = provider.callback();
const tls = { cert: readFileSync(settings.certificate), key: readFileSync(settings.key) };
const server = createServer(tls, (request, response) => {
  if (request.url.startsWith("/who/")) {
    interact(request, response).catch((error) => response.writeHead(500).end(String(error)));
  } else {
    callback(request, response);
  }
});
server.listen(settings.port, "127.0.0.1", () => console.log(JSON.stringify({ listening: issuer })));
