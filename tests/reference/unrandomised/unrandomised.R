# Weighted comparisons of groups that were not randomised, computed in R: point estimates from glm, nnet::multinom and lm, sandwich errors
# from the stacked estimating equations with numerical derivatives, jackknife errors from as many fits as there are people.
# Run: Rscript unrandomised.R   (R 4.2.2, MatchIt 4.5.1, nnet 7.3-18, numDeriv, survey 4.1-1; two minutes)
suppressMessages({library(MatchIt); library(nnet); library(numDeriv); library(survey)})
data(lalonde)
lalonde$black <- as.numeric(lalonde$race == "black")
lalonde$hispan <- as.numeric(lalonde$race == "hispan")
out <- data.frame(case = character(), target = character(), quantity = character(), term = character(), value = numeric())
keep <- function(case, target, quantity, term, value)
  out <<- rbind(out, data.frame(case = case, target = target, quantity = quantity, term = term, value = unname(value)))

chances <- function(a, Z, K) { eta <- cbind(0, Z %*% matrix(a, ncol(Z))); e <- exp(eta - apply(eta, 1, max)); e / rowSums(e) }
tilting <- function(e, target) switch(target, everybody = rep(1, nrow(e)), overlap = 1 / rowSums(1 / e), matching = apply(e, 1, min),
                                      e[, as.integer(target)])
fit_scores <- function(A, Z, K) {  # Newton steps after multinom, which stops early
  d <- data.frame(A = factor(A), Z[, -1, drop = FALSE])
  m <- multinom(A ~ ., d, trace = FALSE, maxit = 1000, reltol = 1e-12, abstol = 1e-12)
  a <- if (K == 2) as.vector(coef(m)) else as.vector(t(coef(m)))
  for (step in 1:20) {
    e <- chances(a, Z, K)[, -1, drop = FALSE]
    s <- as.vector(t(Z) %*% (outer(A, 2:K, "==") - e))
    H <- matrix(0, length(a), length(a)); p <- ncol(Z)
    for (k in 1:(K - 1)) for (l in 1:(K - 1))
      H[(k - 1) * p + 1:p, (l - 1) * p + 1:p] <- t(Z) %*% (Z * (e[, k] * ((k == l) - e[, l])))
    a <- a + solve(H, s)
    if (max(abs(solve(H, s))) < 1e-11) break
  }
  a
}
means <- function(a, b, y, A, Z, K, target, way) {  # b: a column of slopes a group
  e <- chances(a, Z, K); h <- tilting(e, target); w <- h / e[cbind(seq_along(A), A)]
  sapply(1:K, function(k) {
    m <- if (way == "weights") rep(0, length(y)) else Z %*% b[, k]
    (if (way != "weights") sum(h * m) / sum(h) else 0) + (if (way != "model") sum((w * (y - m))[A == k]) / sum(w[A == k]) else 0)
  })
}
slopes <- function(y, A, Z, K) sapply(1:K, function(k) lm.fit(Z[A == k, ], y[A == k])$coefficients)
analyse <- function(case, y, A, Z, K, targets, jackknife) {
  n <- length(y); p <- ncol(Z)
  a <- fit_scores(A, Z, K); b <- slopes(y, A, Z, K); e <- chances(a, Z, K)
  left <- if (jackknife) lapply(1:n, function(i) list(a = fit_scores(A[-i], Z[-i, ], K), b = slopes(y[-i], A[-i], Z[-i, ], K)))
  for (target in targets) {
    h <- tilting(e, target); w <- h / e[cbind(1:n, A)]
    for (k in 1:K) keep(case, target, "ess", k, sum(w[A == k])^2 / sum(w[A == k]^2))
    for (way in c("weights", "aipw", "model")) {
      theta <- means(a, b, y, A, Z, K, target, way)
      # parts of the stacked equations, one row a person: scores, slopes, then mu_k (over the target) and nu_k (within the group)
      split <- function(a, b) { e <- chances(a, Z, K); h <- tilting(e, target); w <- h / e[cbind(1:n, A)]
        m <- if (way == "weights") matrix(0, n, K) else Z %*% b; list(h = h, w = w, m = m) }
      s0 <- split(a, b)
      mu <- sapply(1:K, function(k) sum(s0$h * s0$m[, k]) / sum(s0$h))
      nu <- sapply(1:K, function(k) if (way == "model") 0 else sum((s0$w * (y - s0$m[, k]))[A == k]) / sum(s0$w[A == k]))
      equations <- function(v) {
        a <- v[1:length(a)]; b <- matrix(v[length(a) + 1:(p * K)], p); mu <- v[length(v) - 2 * K + 1:K]; nu <- v[length(v) - K + 1:K]
        s <- split(a, b); e <- chances(a, Z, K)
        U <- do.call(cbind, lapply(2:K, function(k) Z * ((A == k) - e[, k])))
        S <- do.call(cbind, lapply(1:K, function(k) Z * (A == k) * as.vector(y - Z %*% b[, k])))
        M <- sapply(1:K, function(k) s$h * (s$m[, k] - mu[k]))
        N <- sapply(1:K, function(k) if (way == "model") -nu[k] + 0 * y else (A == k) * s$w * (y - s$m[, k] - nu[k]))
        cbind(U, S, M, N)
      }
      v <- c(a, as.vector(b), mu, nu)
      D <- jacobian(function(v) colSums(equations(v)), v); E <- equations(v)
      each <- E %*% t(solve(-D)); last <- length(v) - 2 * K
      phi <- each[, last + 1:K] + each[, last + K + 1:K]
      for (k in 1:K) keep(case, target, paste(way, "mean"), k, theta[k])
      for (k in 2:K) {
        keep(case, target, paste(way, "difference"), k, theta[k] - theta[1])
        keep(case, target, paste(way, "sandwich"), k, sqrt(sum((phi[, k] - phi[, 1])^2)))
        if (jackknife) {
          t_i <- sapply(1:n, function(i) { t <- means(left[[i]]$a, left[[i]]$b, y[-i], A[-i], Z[-i, ], K, target, way); t[k] - t[1] })
          keep(case, target, paste(way, "refits"), k, sqrt((n - 1) / n * sum((t_i - mean(t_i))^2)))
        }
      }
    }
    g <- svyglm(y ~ factor(A), svydesign(~1, weights = ~w, data = data.frame(y, A, w)))  # scores taken as known
    for (k in 2:K) keep(case, target, "survey difference", k, coef(g)[k]); for (k in 2:K) keep(case, target, "survey error", k, SE(g)[k])
  }
  a
}
Z <- with(lalonde, cbind(1, age, educ, black, hispan, married, nodegree, re74 / 1000, re75 / 1000))
a <- analyse("two", lalonde$re78 / 1000, lalonde$treat + 1, Z, 2, c("everybody", "2", "overlap", "matching"), TRUE)
f <- glm(treat ~ age + educ + black + hispan + married + nodegree + re74 + re75, binomial, lalonde, epsilon = 1e-14)
for (k in seq_along(coef(f))) { keep("two", "", "coefficient", names(coef(f))[k], coef(f)[k]); keep("two", "", "coefficient error", names(coef(f))[k], sqrt(vcov(f)[k, k])) }
Z <- with(lalonde, cbind(1, age, educ, married, nodegree, re74 / 1000))
A <- as.integer(lalonde$race)  # black, hispan, white
a <- analyse("three", lalonde$re78 / 1000, A, Z, 3, c("everybody", "1", "overlap", "matching"), TRUE)
for (k in seq_along(a)) keep("three", "", "coefficient", k, a[k])
out$value <- formatC(out$value, digits = 12, format = "g")
write.csv(out, "values.csv", row.names = FALSE, quote = FALSE)
