# A mixed model written out patient by patient with dense matrices and numerical derivatives: slow, and as close to
# the formulas of the papers as possible. It polishes the optimum that nlme or lme4 found and gives what neither of
# them has: Satterthwaite and Kenward-Roger for every residual structure, with either information matrix.
#   Kenward & Roger 1997, Biometrics 53(3):983-997, sections 2 and 3
#   Fai & Cornelius 1996, J Stat Comput Simul 54:363-378 (several rows, Satterthwaite)
library(numDeriv)

# Covariance at the schedule from natural parameters. m: number of weeks; weeks: the weeks themselves.
residual_matrix <- function(structure, theta, weeks) {
  m <- length(weeks)
  lag <- abs(outer(seq_len(m), seq_len(m), "-"))
  switch(structure,
    "independent" = theta[1] * diag(m),
    "by-week" = diag(theta[1:m], m),
    "compound-symmetry" = theta[1] * diag(m) + theta[2],               # residual variance, common covariance
    "ar1" = theta[1] * theta[2]^lag,                                     # variance, correlation of neighbours
    "ar1-by-week" = sqrt(outer(theta[1:m], theta[1:m])) * theta[m + 1]^lag, # variances, correlation
    "exponential" = theta[1] * exp(-abs(outer(weeks, weeks, "-")) / theta[2]), # variance, range in weeks
    "toeplitz" = matrix(theta[lag + 1], m, m),                           # covariances at lag 0, 1, ...
    "unstructured" = { S <- matrix(0, m, m); S[lower.tri(S, TRUE)] <- theta; S + t(S) - diag(diag(S), m) }
  )
}
residual_count <- function(structure, m) {
  switch(structure, "independent" = 1, "by-week" = m, "compound-symmetry" = 2, "ar1" = 2, "ar1-by-week" = m + 1,
         "exponential" = 2, "toeplitz" = m, "unstructured" = m * (m + 1) / 2)
}
# Patient effects: D by its lower triangle, column by column; Z at the schedule. diagonal = TRUE: variances only.
schedule_covariance <- function(theta, structure, weeks, Z, diagonal = FALSE) {
  q <- if (is.null(Z)) 0 else ncol(Z)
  k <- if (q == 0) 0 else if (diagonal) q else q * (q + 1) / 2
  V <- residual_matrix(structure, theta[k + seq_len(residual_count(structure, length(weeks)))], weeks)
  if (q > 0) {
    D <- matrix(0, q, q)
    if (diagonal) D <- diag(theta[1:q], q) else {
      D[lower.tri(D, TRUE)] <- theta[1:k]; D <- D + t(D) - diag(diag(D), q)
    }
    V <- V + Z %*% D %*% t(Z)
  }
  V
}

# data: list of patients, each X, y, at (positions on the schedule). covariance: theta -> m x m.
sums <- function(theta, data, covariance) {
  V <- covariance(theta)
  p <- ncol(data[[1]]$X)
  A <- matrix(0, p, p); b <- numeric(p); c <- 0; logdet <- 0; n <- 0
  for (i in data) {
    R <- tryCatch(chol(V[i$at, i$at, drop = FALSE]), error = function(e) NULL)
    if (is.null(R)) return(NULL)
    x <- backsolve(R, i$X, transpose = TRUE); y <- backsolve(R, i$y, transpose = TRUE)
    A <- A + crossprod(x); b <- b + crossprod(x, y); c <- c + sum(y^2); logdet <- logdet + 2 * sum(log(diag(R)))
    n <- n + length(i$y)
  }
  list(A = A, b = drop(b), c = c, logdet = logdet, n = n)
}
criterion <- function(theta, data, covariance, reml) {
  s <- sums(theta, data, covariance)
  if (is.null(s)) return(1e10)
  beta <- solve(s$A, s$b)
  value <- s$logdet + s$c - sum(beta * s$b)
  if (reml) value + as.numeric(determinant(s$A)$modulus) + (s$n - length(beta)) * log(2 * pi) else value + s$n * log(2 * pi)
}
# numDeriv takes steps in proportion to its argument: around one, so that a parameter near zero has steps of its scale.
# Long steps with six rounds of Richardson: the usual ones (1e-4, four) leave 1e-5 of the df to rounding.
ones <- function(theta) rep(1, length(theta))
steps <- list(d = 1e-2, r = 6)
# dV/dtheta_k at the schedule, numerically (Richardson), in units of `scale` and put back.
slopes <- function(theta, covariance, scale) {
  m <- nrow(covariance(theta)); first <- jacobian(function(u) as.vector(covariance(theta + (u - 1) * scale)), ones(theta), method.args = steps)
  lapply(seq_along(theta), function(k) matrix(first[, k] / scale[k], m, m))
}
# Gradient of the criterion: tr(V^-1 dV) - e'V^-1 dV V^-1 e + tr(Phi P), P = -X'V^-1 dV V^-1 X.
gradient <- function(theta, data, covariance, reml, scale) {
  s <- sums(theta, data, covariance); Phi <- solve(s$A); beta <- drop(Phi %*% s$b)
  dV <- slopes(theta, covariance, scale); V <- covariance(theta); g <- numeric(length(theta))
  for (i in data) {
    Vi <- solve(V[i$at, i$at, drop = FALSE]); VX <- Vi %*% i$X; Ve <- Vi %*% (i$y - i$X %*% beta); T <- VX %*% Phi
    for (k in seq_along(theta)) {
      d <- dV[[k]][i$at, i$at, drop = FALSE]
      g[k] <- g[k] + sum(Vi * d) - sum(Ve * (d %*% Ve)) - if (reml) sum(T * (d %*% VX)) else 0
    }
  }
  g
}
# Twice the observed information, as the numerical Jacobian of the gradient, in units of `scale`.
curvature <- function(theta, data, covariance, reml, scale) {
  H <- jacobian(function(u) gradient(theta + (u - 1) * scale, data, covariance, reml, scale) * scale, ones(theta), method.args = steps)
  (H + t(H)) / 2
}
# Newton steps from a start that is already close.
polish <- function(theta, data, covariance, reml, scale) {
  for (round in 1:30) {
    g <- gradient(theta, data, covariance, reml, scale) * scale
    here <- criterion(theta, data, covariance, reml)
    eig <- eigen(curvature(theta, data, covariance, reml, scale), symmetric = TRUE)
    step <- -drop(eig$vectors %*% (crossprod(eig$vectors, g) / pmax(abs(eig$values), 1e-8 * max(abs(eig$values)))))
    t <- 1
    while (criterion(theta + t * step * scale, data, covariance, reml) > here + 1e-9 && t > 1e-6) t <- t / 2
    theta <- theta + t * step * scale
    if (max(abs(step)) < 1e-10) break
  }
  list(theta = theta, value = criterion(theta, data, covariance, reml), gradient = max(abs(g)), scale = scale)
}
inference <- function(theta, data, covariance, reml, scale) {
  K <- length(theta); m <- nrow(covariance(theta)); p <- ncol(data[[1]]$X)
  s <- sums(theta, data, covariance); Phi <- solve(s$A); beta <- drop(Phi %*% s$b)
  dV <- slopes(theta, covariance, scale)
  flat <- function(u) as.vector(covariance(theta + (u - 1) * scale))
  second <- lapply(seq_len(m * m), function(e) hessian(function(u) flat(u)[e], ones(theta), method.args = steps) / outer(scale, scale))
  ddV <- function(k, l) matrix(vapply(second, function(h) h[k, l], 0), m, m)
  P <- replicate(K, matrix(0, p, p), simplify = FALSE)
  Q <- matrix(list(), K, K); R <- matrix(list(), K, K)
  for (k in 1:K) for (l in 1:K) { Q[[k, l]] <- matrix(0, p, p); R[[k, l]] <- matrix(0, p, p) }
  traces <- matrix(0, K, K); meat <- matrix(0, p, p)
  V <- covariance(theta)
  curved <- matrix(FALSE, K, K)
  for (k in 1:K) for (l in 1:K) curved[k, l] <- max(abs(ddV(k, l))) * scale[k] * scale[l] > 1e-7 * max(abs(V))
  for (i in data) {
    Vi <- solve(V[i$at, i$at, drop = FALSE]); X <- i$X
    e <- i$y - X %*% beta
    corrected <- solve(diag(length(i$at)) - X %*% Phi %*% t(X) %*% Vi, e)  # Mancl & DeRouen 2001
    score <- t(X) %*% Vi %*% corrected; meat <- meat + score %*% t(score)
    di <- lapply(dV, function(d) d[i$at, i$at, drop = FALSE]); VX <- Vi %*% X
    for (k in 1:K) {
      P[[k]] <- P[[k]] - t(VX) %*% di[[k]] %*% VX
      for (l in 1:K) {
        Q[[k, l]] <- Q[[k, l]] + t(VX) %*% di[[k]] %*% Vi %*% di[[l]] %*% VX
        traces[k, l] <- traces[k, l] + sum(diag(Vi %*% di[[k]] %*% Vi %*% di[[l]]))
        if (curved[k, l]) R[[k, l]] <- R[[k, l]] + t(VX) %*% ddV(k, l)[i$at, i$at, drop = FALSE] %*% VX
      }
    }
  }
  expected <- matrix(0, K, K)
  for (k in 1:K) for (l in 1:K) expected[k, l] <- 0.5 * (traces[k, l] - 2 * sum(diag(Phi %*% Q[[k, l]])) +
      sum(diag(Phi %*% P[[k]] %*% Phi %*% P[[l]])))
  observed <- curvature(theta, data, covariance, reml, scale) / 2 / outer(scale, scale)
  adjusted <- function(W, with_second) {
    middle <- matrix(0, p, p)
    for (k in 1:K) for (l in 1:K) middle <- middle + W[k, l] *
        (Q[[k, l]] - P[[k]] %*% Phi %*% P[[l]] - if (with_second) R[[k, l]] / 4 else 0)
    Phi + 2 * Phi %*% middle %*% Phi
  }
  list(beta = beta, Phi = Phi, P = P, expected = solve(expected), observed = solve(observed), adjusted = adjusted,
       sandwich = Phi %*% meat %*% Phi)
}
satterthwaite <- function(L, fit, W) {
  L <- rbind(L); C <- L %*% fit$Phi %*% t(L); eig <- eigen(C, symmetric = TRUE); M <- t(eig$vectors) %*% L
  one <- function(l) {
    g <- vapply(fit$P, function(P) drop(-l %*% fit$Phi %*% P %*% fit$Phi %*% l), 0)
    2 * drop(l %*% fit$Phi %*% l)^2 / drop(g %*% W %*% g)
  }
  q <- nrow(L); df <- apply(M, 1, one)
  F <- mean(drop(M %*% fit$beta)^2 / eig$values)
  if (q == 1) return(c(F = F, df = df))
  E <- sum(ifelse(df > 2, df / (df - 2), 0))
  c(F = F, df = if (E > q) 2 * E / (E - q) else 2)
}
kenward_roger <- function(L, fit, W, adjusted) {
  L <- rbind(L); q <- nrow(L); Phi <- fit$Phi
  Theta <- t(L) %*% solve(L %*% Phi %*% t(L)) %*% L
  A1 <- 0; A2 <- 0
  for (k in seq_along(fit$P)) for (l in seq_along(fit$P)) {
    a <- Theta %*% Phi %*% fit$P[[k]] %*% Phi; b <- Theta %*% Phi %*% fit$P[[l]] %*% Phi
    A1 <- A1 + W[k, l] * sum(diag(a)) * sum(diag(b)); A2 <- A2 + W[k, l] * sum(diag(a %*% b))
  }
  B <- (A1 + 6 * A2) / (2 * q); g <- ((q + 1) * A1 - (q + 4) * A2) / ((q + 2) * A2)
  c1 <- g / (3 * q + 2 * (1 - g)); c2 <- (q - g) / (3 * q + 2 * (1 - g)); c3 <- (q + 2 - g) / (3 * q + 2 * (1 - g))
  E <- 1 / (1 - A2 / q); V <- 2 / q * (1 + c1 * B) / ((1 - c2 * B)^2 * (1 - c3 * B))
  rho <- V / (2 * E^2); df <- 4 + (q + 2) / (q * rho - 1); lambda <- df / (E * (df - 2))
  F <- lambda / q * drop(t(L %*% fit$beta) %*% solve(L %*% adjusted %*% t(L)) %*% (L %*% fit$beta))
  c(F = F, df = df)
}
